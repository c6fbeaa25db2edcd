"""Epochs: steady stretches under one pacing configuration, and their metrics."""

from __future__ import annotations

from functools import reduce
from operator import or_

from django.db import models
from django.db.models import F, Q

from procedures.metrics import METRICS
from procedures.models.recording import AnalysisRun, Recording
from procedures.models.session import Session
from procedures.models.site import Site
from procedures.rhythms import RHYTHMS
from registry.models import Record
from registry.models.constraints import both_or_neither, in_order, one_of, within
from registry.models.declared import LINK, RECORDING, as_is, declare, derived, pseudonym, since_start, withheld
from registry.models.trailed import FOLLOWS, loose, untrailed


class Chambers(models.TextChoices):
    """Which chambers are paced."""

    NONE = "none", "No pacing"
    A = "a", "Atrium"
    RV = "rv", "Right ventricle"
    LV = "lv", "Left ventricle"
    BIV = "biv", "Both ventricles"


class PacingConfiguration(Record):
    """Chambers and delays in force during an epoch."""

    session = models.ForeignKey(Session, models.CASCADE, related_name="pacing_configurations")
    chambers = models.CharField(max_length=5, choices=Chambers)
    rate_per_min = models.FloatField("Pacing rate", null=True, blank=True)
    av_delay_ms = models.FloatField("AV delay", null=True, blank=True)
    # Positive: left ventricle first.
    vv_delay_ms = models.FloatField("VV delay", null=True, blank=True)

    handling = declare(
        pseudonym("session"),
        as_is("chambers rate_per_min av_delay_ms vv_delay_ms"),
    )

    class Meta:
        ordering = ("id",)
        constraints = [
            one_of("pacingconfiguration", "chambers", Chambers.values),
            within("pacingconfiguration", "rate_per_min", 30, 220),
            within("pacingconfiguration", "av_delay_ms", 10, 400),
            within("pacingconfiguration", "vv_delay_ms", -150, 150),
        ]

    def __str__(self) -> str:
        parts = [self.get_chambers_display()]
        if self.av_delay_ms is not None:
            parts.append(f"AV {self.av_delay_ms:g} ms")
        if self.vv_delay_ms is not None:
            parts.append(f"VV {self.vv_delay_ms:+g} ms" if self.vv_delay_ms else "VV 0 ms")
        return ", ".join(parts)


class Epoch(Record):
    """A steady stretch: baseline, or one site. A site may have many, a session none."""

    session = models.ForeignKey(Session, models.CASCADE, related_name="epochs")
    # Empty means baseline.
    site = models.ForeignKey(Site, models.PROTECT, null=True, blank=True, related_name="epochs")
    pacing = models.ForeignKey(PacingConfiguration, models.PROTECT, null=True, blank=True, related_name="epochs")
    started_at = models.DateTimeField()
    ended_at = models.DateTimeField()
    recording = models.ForeignKey(Recording, models.CASCADE, null=True, blank=True, related_name="epochs")
    recording_start_s = models.FloatField(null=True, blank=True)
    recording_end_s = models.FloatField(null=True, blank=True)
    excluded_reason = models.CharField(max_length=200, blank=True)

    handling = declare(
        pseudonym("session site"),
        since_start("started_at ended_at"),
        derived("excluded_reason", "whether it was left out"),
        withheld("pacing", LINK),
        withheld("recording recording_start_s recording_end_s", RECORDING),
    )

    class Meta:
        ordering = ("started_at", "id")
        indexes = [models.Index(fields=("session", "started_at"))]
        constraints = [
            in_order("epoch", "started_at", "ended_at"),
            both_or_neither("epoch", "recording", "recording_start_s"),
            both_or_neither("epoch", "recording_start_s", "recording_end_s"),
            models.CheckConstraint(
                condition=Q(recording_start_s__isnull=True) | Q(recording_end_s__gt=F("recording_start_s")),
                name="epoch_recording_span",
            ),
        ]

    @property
    def label(self) -> str:
        """The state's name: the site's label, or baseline."""
        return self.site.label if self.site else "baseline"

    def __str__(self) -> str:
        return f"{self.label} {self.started_at:%H:%M:%S}"


class Origin(models.TextChoices):
    """Where a number comes from."""

    COMPUTED = "computed", "Computed from a recording"
    ENTERED = "entered", "Entered by hand"


def _inside_hard_range() -> Q:
    ranges = (Q(key=m.key, mean__gte=m.hard_low, mean__lte=m.hard_high) for m in METRICS)
    return reduce(or_, ranges)


class EpochMetric(Record):
    """One metric of one epoch. A computed and an entered value may stand side by side."""

    epoch = models.ForeignKey(Epoch, models.CASCADE, related_name="metrics")
    key = models.CharField(max_length=40)
    origin = models.CharField(max_length=10, choices=Origin)
    mean = models.FloatField()
    sd = models.FloatField("SD", null=True, blank=True)
    beats = models.PositiveIntegerField(null=True, blank=True)
    standard_error = models.FloatField(null=True, blank=True)
    unusual = models.BooleanField(default=False)
    run = models.ForeignKey(AnalysisRun, models.CASCADE, null=True, blank=True, related_name="metrics")

    trail = loose("", "", linkless=Q(origin=Origin.COMPUTED), linkless_because=FOLLOWS, within="epoch")

    handling = declare(
        pseudonym("epoch"),
        as_is("key origin mean sd beats standard_error unusual"),
        withheld("run", LINK),
    )

    class Meta:
        ordering = ("key", "origin")
        constraints = [
            models.UniqueConstraint(fields=("epoch", "key", "origin"), name="epochmetric_once_per_origin"),
            one_of("epochmetric", "origin", Origin.values),
            models.CheckConstraint(condition=_inside_hard_range(), name="epochmetric_mean_range"),
            models.CheckConstraint(condition=Q(sd__isnull=True) | Q(sd__gte=0), name="epochmetric_sd_not_negative"),
            models.CheckConstraint(condition=Q(beats__isnull=True) | Q(beats__gte=1), name="epochmetric_beats_counted"),
            models.CheckConstraint(
                condition=Q(origin=Origin.COMPUTED, run__isnull=False) | Q(origin=Origin.ENTERED, run__isnull=True),
                name="epochmetric_computed_has_run",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.key} {self.mean:g}"


class EpochBeats(models.Model):
    """The beats of a computed epoch, column by column, its rhythm, and its average loop for drawing."""

    epoch = models.OneToOneField(Epoch, models.CASCADE, primary_key=True, related_name="beats")
    run = models.ForeignKey(AnalysisRun, models.CASCADE, related_name="+")
    # {"time_s": [...], "refused": ["", "ectopic", ...], KEY: [number or null, ...]}
    columns = models.JSONField()
    # {"volume_ml": [...], "pressure_mmhg": [...], "segments_ml": [[...], ...]}
    loop = models.JSONField(default=dict, blank=True)
    # Empty where an older analysis did not look.
    rhythm = models.CharField(max_length=20, choices=RHYTHMS, blank=True, default="")
    rhythm_remark = models.CharField(max_length=400, blank=True, default="")
    # Whether the rhythm limits what the numbers mean.
    rhythm_limits = models.BooleanField(default=False)

    trail = untrailed(FOLLOWS)

    handling = declare(
        pseudonym("epoch"),
        as_is("rhythm rhythm_limits"),
        withheld("run", LINK),
        withheld("columns loop rhythm_remark", RECORDING),
    )

    class Meta:
        verbose_name_plural = "beats of epochs"

    def __str__(self) -> str:
        return f"beats of {self.epoch_id}"
