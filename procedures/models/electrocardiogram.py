"""Measured 12-lead electrocardiograms, and intervals that somebody read on a trace or typed."""

from __future__ import annotations

from functools import reduce
from operator import or_

from django.db import models
from django.db.models import F, Q

from procedures.limits import LATE_FROM_MS
from procedures.models.epoch import Epoch
from procedures.models.recording import Recording
from procedures.models.session import Session
from procedures.models.site import Site
from registry.models import Record
from registry.models.constraints import both_or_neither, in_order, one_of, within
from registry.models.declared import FREE_TEXT, RECORDING, as_is, declare, derived, pseudonym, since_start, withheld
from registry.models.trailed import FOLLOWS, loose, untrailed


class EcgMeasurement(Record):
    """What was measured on the average beat of a stretch of a recording.

    Of an epoch, or of a stretch without one; then ``site`` says where the lead lay, and empty is a baseline.
    """

    recording = models.ForeignKey(Recording, models.CASCADE, related_name="ecgs")
    epoch = models.OneToOneField(Epoch, models.CASCADE, null=True, blank=True, related_name="ecg")
    site = models.ForeignKey(Site, models.PROTECT, null=True, blank=True, related_name="ecgs")
    start_s = models.FloatField()
    end_s = models.FloatField()
    measured_at = models.DateTimeField()
    algorithm_version = models.CharField(max_length=40)
    qrs_duration_ms = models.FloatField("QRS duration")
    qrs_duration_sd_ms = models.FloatField("QRS duration, SD")
    rr_ms = models.FloatField("RR", null=True, blank=True)
    axis_degrees = models.FloatField("QRS axis", null=True, blank=True)
    paced = models.BooleanField(default=False)
    latency_ms = models.FloatField("Stimulus to QRS onset", null=True, blank=True)
    beats = models.PositiveIntegerField()
    # Everything measured, with the clauses of each definition: procedures.pipeline.ecg_values.
    result = models.JSONField()
    excluded_reason = models.CharField("Reason for setting it aside", max_length=200, blank=True)

    trail = loose("", "", linkless=Q(epoch__isnull=False), linkless_because=FOLLOWS)

    handling = declare(
        pseudonym("epoch site"),
        since_start("measured_at"),
        as_is("qrs_duration_ms qrs_duration_sd_ms rr_ms axis_degrees paced latency_ms beats algorithm_version"),
        derived("excluded_reason", "whether it was set aside"),
        withheld("recording start_s end_s result", RECORDING),
    )

    class Meta:
        verbose_name = "ECG measurement"
        verbose_name_plural = "ECG measurements"
        ordering = ("measured_at", "id")
        constraints = [
            # As wide as for a typed duration.
            within("ecgmeasurement", "qrs_duration_ms", 40, 320),
            within("ecgmeasurement", "qrs_duration_sd_ms", 0, 200),
            within("ecgmeasurement", "axis_degrees", -180, 180),
            in_order("ecgmeasurement", "start_s", "end_s"),
            models.CheckConstraint(condition=Q(beats__gte=1), name="ecgmeasurement_has_beats"),
            models.CheckConstraint(
                condition=Q(epoch__isnull=True) | Q(site__isnull=True), name="ecgmeasurement_epoch_says_the_site"
            ),
            models.UniqueConstraint(
                fields=("recording", "start_s", "end_s"),
                name="ecgmeasurement_once_per_stretch",
                violation_error_message="The ECG of this stretch has already been measured.",
            ),
        ]

    @property
    def state_site(self) -> Site | None:
        """The site that was paced; None is the baseline."""
        return self.epoch.site if self.epoch else self.site

    @property
    def label(self) -> str:
        """The state's name."""
        site = self.state_site
        return site.label if site else "baseline"

    @property
    def set_aside(self) -> str:
        """Why it does not count; empty where it does."""
        return self.excluded_reason or (self.epoch.excluded_reason if self.epoch else "")

    def __str__(self) -> str:
        return f"ECG of {self.label}"


class EcgBeat(models.Model):
    """The average beat behind a measurement, for drawing and for comparing two of them."""

    ecg = models.OneToOneField(EcgMeasurement, models.CASCADE, primary_key=True, related_name="beat")
    # {"sample_rate_hz": ..., "leads": {"I": [microvolts, ...]}}
    samples = models.JSONField()

    trail = untrailed(FOLLOWS)

    handling = declare(pseudonym("ecg"), withheld("samples", RECORDING))

    class Meta:
        verbose_name_plural = "average beats of ECGs"

    def __str__(self) -> str:
        return f"average beat of {self.ecg_id}"


class IntervalKind(models.TextChoices):
    """Intervals that people read."""

    QRS_DURATION = "qrs_duration", "QRS duration"
    QLV = "qlv", "QLV: QRS onset to LV electrogram"
    RV_LV = "rv_lv", "RV to LV electrogram"
    LATENCY = "latency", "Stimulus to QRS onset"


class IntervalOrigin(models.TextChoices):
    """How an interval was come by."""

    CALIPERS = "calipers", "By calipers on the trace"
    TYPED = "typed", "Entered"


# Hard limits, ms: what one beat allows (project choice); QRS as in lead measurements.
INTERVAL_LIMITS_MS: dict[str, tuple[float, float]] = {
    IntervalKind.QRS_DURATION: (40.0, 320.0),
    IntervalKind.QLV: (-50.0, 350.0),
    IntervalKind.RV_LV: (-250.0, 300.0),
    IntervalKind.LATENCY: (0.0, 200.0),
}


def _inside_limits() -> Q:
    ranges = (Q(kind=k, duration_ms__gte=low, duration_ms__lte=high) for k, (low, high) in INTERVAL_LIMITS_MS.items())
    return reduce(or_, ranges)


class IntervalReading(Record):
    """One interval at a site or at baseline; read with calipers it keeps both marks, their leads and the recording.

    A withdrawn one stays readable with its reason and counts nowhere.
    """

    session = models.ForeignKey(Session, models.CASCADE, related_name="interval_readings")
    # Empty means baseline.
    site = models.ForeignKey(Site, models.PROTECT, null=True, blank=True, related_name="interval_readings")
    kind = models.CharField(max_length=20, choices=IntervalKind)
    origin = models.CharField(max_length=10, choices=IntervalOrigin)
    duration_ms = models.FloatField("Interval")
    read_at = models.DateTimeField()
    recording = models.ForeignKey(Recording, models.CASCADE, null=True, blank=True, related_name="interval_readings")
    from_lead = models.CharField("Lead of the first mark", max_length=60, blank=True)
    to_lead = models.CharField("Lead of the second mark", max_length=60, blank=True)
    from_s = models.FloatField("First mark", null=True, blank=True)
    to_s = models.FloatField("Second mark", null=True, blank=True)
    notes = models.CharField(max_length=200, blank=True)
    excluded_reason = models.CharField("Reason for withdrawal", max_length=200, blank=True)

    handling = declare(
        pseudonym("session site"),
        since_start("read_at"),
        as_is("kind origin duration_ms"),
        derived("excluded_reason", "whether it was withdrawn"),
        withheld("recording from_lead to_lead from_s to_s", RECORDING),
        withheld("notes", FREE_TEXT),
    )

    class Meta:
        ordering = ("read_at", "id")
        constraints = [
            one_of("intervalreading", "kind", IntervalKind.values),
            one_of("intervalreading", "origin", IntervalOrigin.values),
            models.CheckConstraint(condition=_inside_limits(), name="intervalreading_duration_range"),
            both_or_neither("intervalreading", "from_s", "to_s"),
            both_or_neither("intervalreading", "from_s", "recording"),
            models.CheckConstraint(
                condition=Q(origin=IntervalOrigin.TYPED, from_s__isnull=True, from_lead="", to_lead="")
                | (
                    Q(origin=IntervalOrigin.CALIPERS, from_s__isnull=False)
                    & ~Q(from_lead="")
                    & ~Q(to_lead="")
                    & Q(duration_ms__gte=(F("to_s") - F("from_s")) * 1000 - 0.5)
                    & Q(duration_ms__lte=(F("to_s") - F("from_s")) * 1000 + 0.5)
                ),
                name="intervalreading_calipers_say_where",
            ),
            # A QRS duration typed for a site is part of its lead measurements; a second place would be a second truth.
            models.CheckConstraint(
                condition=~Q(kind=IntervalKind.QRS_DURATION, origin=IntervalOrigin.TYPED, site__isnull=False),
                name="intervalreading_typed_qrs_has_its_place",
                violation_error_message="Enter the QRS duration of a site with its lead measurements.",
            ),
        ]

    @property
    def late(self) -> bool:
        """Whether an activation reaches the limit from which it is called late."""
        limit = LATE_FROM_MS.get(self.kind)
        return limit is not None and self.duration_ms >= limit

    def __str__(self) -> str:
        return f"{self.get_kind_display()} {self.duration_ms:.0f} ms"
