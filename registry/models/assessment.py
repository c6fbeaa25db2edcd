"""A dated clinical state: before the implant or at follow-up."""

from __future__ import annotations

from django.db import models

from registry.models.base import Record
from registry.models.constraints import one_of, within
from registry.models.declared import as_is, declare, pseudonym, shifted
from registry.models.patient import Patient


class AssessmentKind(models.TextChoices):
    """When in the course it was made."""

    BEFORE = "before", "Before the implant"
    FOLLOW_UP = "follow_up", "Follow-up"


class Rhythm(models.TextChoices):
    """Atrial rhythm."""

    SINUS = "sinus", "Sinus rhythm"
    ATRIAL_FIBRILLATION = "atrial_fibrillation", "Atrial fibrillation"
    OTHER = "other", "Other"
    UNKNOWN = "unknown", "Not known"


class Morphology(models.TextChoices):
    """Conduction pattern of the QRS complex."""

    LBBB = "lbbb", "Left bundle branch block"
    RBBB = "rbbb", "Right bundle branch block"
    IVCD = "ivcd", "Non-specific conduction delay"
    RV_PACED = "rv_paced", "Right-ventricular paced"
    BIV_PACED = "biv_paced", "Biventricular paced"
    NARROW = "narrow", "Narrow"
    UNKNOWN = "unknown", "Not known"


class Assessment(Record):
    """A clinical state on one day. Anything not measured stays empty, never zero."""

    patient = models.ForeignKey(Patient, models.CASCADE, related_name="assessments")
    kind = models.CharField(max_length=10, choices=AssessmentKind)
    assessed_on = models.DateField()
    nyha_class = models.PositiveSmallIntegerField("NYHA class", null=True, blank=True)
    rhythm = models.CharField(max_length=20, choices=Rhythm, default=Rhythm.UNKNOWN)
    qrs_duration_ms = models.FloatField("QRS duration", null=True, blank=True)
    qrs_morphology = models.CharField(max_length=10, choices=Morphology, default=Morphology.UNKNOWN)
    lvef_percent = models.FloatField("LVEF", null=True, blank=True)
    lvedv_ml = models.FloatField("LVEDV", null=True, blank=True)
    lvesv_ml = models.FloatField("LVESV", null=True, blank=True)
    nt_probnp_pg_per_ml = models.FloatField("NT-proBNP", null=True, blank=True)
    creatinine_umol_per_l = models.FloatField("Creatinine", null=True, blank=True)
    systolic_mmhg = models.FloatField("Systolic pressure", null=True, blank=True)
    diastolic_mmhg = models.FloatField("Diastolic pressure", null=True, blank=True)
    six_minute_walk_m = models.FloatField("Six-minute walk", null=True, blank=True)

    handling = declare(
        pseudonym("patient"),
        as_is("kind nyha_class rhythm qrs_duration_ms qrs_morphology lvef_percent lvedv_ml lvesv_ml"),
        as_is("nt_probnp_pg_per_ml creatinine_umol_per_l systolic_mmhg diastolic_mmhg six_minute_walk_m"),
        shifted("assessed_on"),
    )

    class Meta:
        ordering = ("assessed_on", "id")
        indexes = [models.Index(fields=("patient", "kind", "assessed_on"))]
        # Physical limits: wide enough for any living person, tight enough to catch a wrong unit. Project choice.
        constraints = [
            one_of("assessment", "kind", AssessmentKind.values),
            one_of("assessment", "rhythm", Rhythm.values),
            one_of("assessment", "qrs_morphology", Morphology.values),
            within("assessment", "nyha_class", 1, 4),
            within("assessment", "qrs_duration_ms", 40, 320),
            within("assessment", "lvef_percent", 3, 90),
            within("assessment", "lvedv_ml", 20, 800),
            within("assessment", "lvesv_ml", 5, 750),
            within("assessment", "nt_probnp_pg_per_ml", 1, 200000),
            within("assessment", "creatinine_umol_per_l", 10, 2500),
            within("assessment", "systolic_mmhg", 40, 300),
            within("assessment", "diastolic_mmhg", 20, 200),
            within("assessment", "six_minute_walk_m", 0, 1500),
            models.CheckConstraint(
                condition=models.Q(lvesv_ml__isnull=True)
                | models.Q(lvedv_ml__isnull=True)
                | models.Q(lvesv_ml__lt=models.F("lvedv_ml")),
                name="assessment_lvesv_below_lvedv",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} {self.assessed_on}"
