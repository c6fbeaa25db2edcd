"""Tributaries of the coronary sinus, the sites tested in them and what was measured at each."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q

from procedures.models.session import Session
from registry.models import Record
from registry.models.constraints import both_or_neither, one_of, within
from registry.models.declared import FREE_TEXT, LINK, UPKEEP, as_is, declare, pseudonym, since_start, withheld


class Vein(models.TextChoices):
    """Coronary veins by their anatomical names."""

    MIDDLE_CARDIAC = "middle_cardiac", "Middle cardiac vein"
    POSTERIOR = "posterior", "Posterior vein of the left ventricle"
    POSTEROLATERAL = "posterolateral", "Posterolateral vein"
    LATERAL = "lateral", "Lateral (left marginal) vein"
    ANTEROLATERAL = "anterolateral", "Anterolateral vein"
    ANTERIOR_INTERVENTRICULAR = "anterior_interventricular", "Anterior interventricular vein"
    GREAT_CARDIAC = "great_cardiac", "Great cardiac vein"
    CORONARY_SINUS = "coronary_sinus", "Coronary sinus body"
    OTHER = "other", "Other vein"


class Obstacle(models.TextChoices):
    """Why a vein or a position was not reached or not kept."""

    NO_SUITABLE_VEIN = "no_suitable_vein", "No suitable vein"
    UNFAVOURABLE_TAKE_OFF = "unfavourable_take_off", "Unfavourable take-off"
    TORTUOSITY = "tortuosity", "Tortuosity"
    STENOSIS = "stenosis", "Stenosis"
    EARLY_BRANCHING = "early_branching", "Early branching"
    INSTABILITY = "instability", "Instability"
    PHRENIC_STIMULATION = "phrenic_stimulation", "Phrenic stimulation"
    HIGH_THRESHOLD = "high_threshold", "High threshold"
    OTHER = "other", "Other"


class LongAxis(models.TextChoices):
    """Third of the ventricle's long axis, base to apex (Singh et al., J Am Coll Cardiol 2005;46:68)."""

    BASAL = "basal", "Basal"
    MID = "mid", "Mid"
    APICAL = "apical", "Apical"
    UNKNOWN = "unknown", "Not known"


class Stability(models.TextChoices):
    """Whether the lead held its position while it was tested."""

    STABLE = "stable", "Stable"
    UNSTABLE = "unstable", "Unstable"
    UNKNOWN = "unknown", "Not assessed"


class Tributary(Record):
    """A tributary of the coronary sinus that was looked at in a session."""

    session = models.ForeignKey(Session, models.CASCADE, related_name="tributaries")
    vein = models.CharField(max_length=30, choices=Vein)
    # Two veins of the same name happen; the ordinal tells them apart.
    ordinal = models.PositiveSmallIntegerField(default=1)
    notes = models.TextField(blank=True)

    recorded_twice = (
        (
            "vein",
            "This vein is already recorded in this session. For a second one of the same name, use the next number.",
        ),
    )

    handling = declare(
        pseudonym("session"),
        as_is("vein ordinal"),
        withheld("notes", FREE_TEXT),
    )

    class Meta:
        ordering = ("id",)
        verbose_name_plural = "tributaries"
        constraints = [
            one_of("tributary", "vein", Vein.values),
            models.UniqueConstraint(fields=("session", "vein", "ordinal"), name="tributary_once_per_session"),
        ]

    def __str__(self) -> str:
        name = self.get_vein_display()
        return name if self.ordinal == 1 else f"{name} ({self.ordinal})"


class Site(Record):
    """A lead position: tributary, segment, electrode configuration."""

    session = models.ForeignKey(Session, models.CASCADE, related_name="sites")
    tributary = models.ForeignKey(Tributary, models.PROTECT, related_name="sites")
    label = models.CharField(max_length=40)
    long_axis = models.CharField(max_length=10, choices=LongAxis, default=LongAxis.UNKNOWN)
    # AHA 17-segment model (Cerqueira et al., Circulation 2002;105:539).
    aha_segment = models.PositiveSmallIntegerField("AHA segment", null=True, blank=True)
    cathode = models.CharField(max_length=20, blank=True)
    anode = models.CharField(max_length=20, blank=True)
    reached = models.BooleanField(default=True)
    not_reached_reason = models.CharField(max_length=30, choices=Obstacle, blank=True)
    stability = models.CharField(max_length=10, choices=Stability, default=Stability.UNKNOWN)
    notes = models.TextField(blank=True)

    recorded_twice = (("label", "This session already has a site with this label. Choose a different label."),)

    handling = declare(
        pseudonym("session"),
        withheld("tributary", LINK),
        as_is("long_axis aha_segment reached not_reached_reason stability"),
        withheld("label cathode anode notes", FREE_TEXT),
    )

    class Meta:
        ordering = ("id",)
        constraints = [
            models.UniqueConstraint(fields=("session", "label"), name="site_label_once_per_session"),
            # Epochs, files and comparisons call the baseline by this name.
            models.CheckConstraint(
                condition=~Q(label__iexact="baseline"),
                name="site_label_is_not_baseline",
                violation_error_message="A site cannot be called baseline; choose another label.",
                violation_error_code="field:label",
            ),
            one_of("site", "long_axis", LongAxis.values),
            one_of("site", "stability", Stability.values),
            within("site", "aha_segment", 1, 17),
            models.CheckConstraint(
                condition=Q(reached=True, not_reached_reason="")
                | Q(reached=False, not_reached_reason__in=Obstacle.values),
                name="site_not_reached_has_reason",
            ),
        ]

    def __str__(self) -> str:
        return self.label


class LeadMeasurement(Record):
    """What was measured electrically at a site at one moment; a site may be measured again."""

    site = models.ForeignKey(Site, models.CASCADE, related_name="measurements")
    measured_at = models.DateTimeField()
    # Electrodes tried; empty means the site's own configuration.
    cathode = models.CharField(max_length=20, blank=True)
    anode = models.CharField(max_length=20, blank=True)
    capture_threshold_v = models.FloatField("Capture threshold", null=True, blank=True)
    pulse_width_ms = models.FloatField("Pulse width", null=True, blank=True)
    sensed_r_wave_mv = models.FloatField("Sensed R wave", null=True, blank=True)
    impedance_ohm = models.FloatField("Impedance", null=True, blank=True)
    phrenic_threshold_v = models.FloatField("Phrenic-stimulation threshold", null=True, blank=True)
    phrenic_none_up_to_v = models.FloatField("No phrenic stimulation up to", null=True, blank=True)
    # What the device was programmed to, where it was.
    output_v = models.FloatField("Programmed output", null=True, blank=True)
    output_width_ms = models.FloatField("Programmed pulse width", null=True, blank=True)
    qrs_duration_ms = models.FloatField("QRS duration", null=True, blank=True)
    qrs_notes = models.CharField("QRS notes", max_length=200, blank=True)
    # Names of the fields whose value lay outside the usual range and was confirmed.
    confirmed_unusual = models.JSONField(default=list, blank=True)

    handling = declare(
        pseudonym("site"),
        since_start("measured_at"),
        as_is("capture_threshold_v pulse_width_ms sensed_r_wave_mv impedance_ohm phrenic_threshold_v"),
        as_is("phrenic_none_up_to_v output_v output_width_ms qrs_duration_ms"),
        withheld("qrs_notes cathode anode", FREE_TEXT),
        withheld("confirmed_unusual", UPKEEP),
    )

    class Meta:
        ordering = ("measured_at", "id")
        # Hard limits: what a pacing-system analyser can deliver or read (common practice, no source).
        constraints = [
            within("leadmeasurement", "capture_threshold_v", 0.05, 12),
            within("leadmeasurement", "pulse_width_ms", 0.02, 3),
            within("leadmeasurement", "sensed_r_wave_mv", 0.1, 50),
            within("leadmeasurement", "impedance_ohm", 50, 5000),
            within("leadmeasurement", "phrenic_threshold_v", 0.05, 15),
            within("leadmeasurement", "phrenic_none_up_to_v", 0.5, 15),
            within("leadmeasurement", "output_v", 0.05, 15),
            within("leadmeasurement", "output_width_ms", 0.02, 3),
            both_or_neither("leadmeasurement", "output_v", "output_width_ms"),
            within("leadmeasurement", "qrs_duration_ms", 40, 320),
            models.CheckConstraint(
                condition=Q(cathode="", anode="") | (~Q(cathode="") & ~Q(anode="") & ~Q(cathode=F("anode"))),
                name="leadmeasurement_electrodes_are_a_pair",
                violation_error_message="Enter cathode and anode as two different electrodes, or neither.",
                violation_error_code="field:anode",
            ),
            models.CheckConstraint(
                condition=Q(phrenic_threshold_v__isnull=True) | Q(phrenic_none_up_to_v__isnull=True),
                name="leadmeasurement_phrenic_one_answer",
            ),
            models.CheckConstraint(
                condition=Q(capture_threshold_v__isnull=True) | Q(pulse_width_ms__isnull=False),
                name="leadmeasurement_threshold_has_pulse_width",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.site} {self.measured_at:%H:%M}"
