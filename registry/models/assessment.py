"""A dated clinical state: before the implant or at follow-up."""

from __future__ import annotations

from django.db import models

from registry.clinical import quantities
from registry.days import in_words
from registry.models.assessment_words import (
    AssessmentKind,
    GlobalAssessment,
    ImagingMethod,
    LifeInstrument,
    Morphology,
    PreviousDevice,
    Rhythm,
    ScarMethod,
)
from registry.models.base import Record
from registry.models.constraints import below, one_of, within
from registry.models.declared import UPKEEP, as_is, declare, pseudonym, shifted, withheld
from registry.models.patient import Patient

# Classes of medicines, each yes, no or not known.
MEDICINES = (
    "on_acei_or_arb",
    "on_arni",
    "on_beta_blocker",
    "on_mra",
    "on_sglt2_inhibitor",
    "on_loop_diuretic",
    "on_antiarrhythmic",
    "on_anticoagulant",
)


def _answer(words: str) -> models.BooleanField[bool | None, bool | None]:
    return models.BooleanField(words, null=True, blank=True)


class Assessment(Record):
    """A clinical state on one day. Anything not measured stays empty, never zero."""

    patient = models.ForeignKey(Patient, models.CASCADE, related_name="assessments")
    kind = models.CharField(max_length=10, choices=AssessmentKind)
    assessed_on = models.DateField()
    nyha_class = models.PositiveSmallIntegerField("NYHA class", null=True, blank=True)
    rhythm = models.CharField(max_length=20, choices=Rhythm, default=Rhythm.UNKNOWN)
    qrs_duration_ms = models.FloatField("QRS duration", null=True, blank=True)
    qrs_morphology = models.CharField(max_length=10, choices=Morphology, default=Morphology.UNKNOWN)
    imaging_method = models.CharField(
        "Method of LVEF and volumes", max_length=15, choices=ImagingMethod, default=ImagingMethod.UNKNOWN
    )
    lvef_percent = models.FloatField("LVEF", null=True, blank=True)
    lvedv_ml = models.FloatField("LVEDV", null=True, blank=True)
    lvesv_ml = models.FloatField("LVESV", null=True, blank=True)
    nt_probnp_pg_per_ml = models.FloatField("NT-proBNP", null=True, blank=True)
    bnp_pg_per_ml = models.FloatField("BNP", null=True, blank=True)
    creatinine_umol_per_l = models.FloatField("Creatinine", null=True, blank=True)
    systolic_mmhg = models.FloatField("Systolic pressure", null=True, blank=True)
    diastolic_mmhg = models.FloatField("Diastolic pressure", null=True, blank=True)
    six_minute_walk_m = models.FloatField("Six-minute walk", null=True, blank=True)
    quality_of_life_instrument = models.CharField(
        "Quality-of-life questionnaire", max_length=10, choices=LifeInstrument, default=LifeInstrument.NOT_ASKED
    )
    quality_of_life_score = models.FloatField("Quality of life", null=True, blank=True)
    global_assessment = models.CharField(
        "Patient's global assessment", max_length=20, choices=GlobalAssessment, default=GlobalAssessment.UNKNOWN
    )
    height_cm = models.FloatField("Height", null=True, blank=True)
    weight_kg = models.FloatField("Weight", null=True, blank=True)
    previous_device = models.CharField(
        "Device before", max_length=10, choices=PreviousDevice, default=PreviousDevice.UNKNOWN
    )
    ventricular_pacing_percent = models.FloatField("Ventricular pacing, measured or expected", null=True, blank=True)
    av_block = _answer("High-degree AV block")
    pacing_need = _answer("Ventricular pacing indicated for another reason")
    capture_assured = _answer("Atrial fibrillation: strategy to ensure biventricular capture")
    therapy_optimised = _answer("Optimal medical therapy for 3 months or longer")
    on_acei_or_arb = _answer("ACE inhibitor or ARB")
    on_arni = _answer("ARNI")
    on_beta_blocker = _answer("Beta-blocker")
    on_mra = _answer("Mineralocorticoid antagonist")
    on_sglt2_inhibitor = _answer("SGLT2 inhibitor")
    on_loop_diuretic = _answer("Loop diuretic")
    on_antiarrhythmic = _answer("Antiarrhythmic, class I or III")
    on_anticoagulant = _answer("Anticoagulant")
    scar_method = models.CharField(max_length=10, choices=ScarMethod, default=ScarMethod.UNKNOWN)
    scar_burden_percent = models.FloatField("Scar, percentage of the left ventricle", null=True, blank=True)
    posterolateral_scar = _answer("Scar in the posterolateral wall")
    # Names of the fields whose value lay outside the usual range and was confirmed.
    confirmed_unusual = models.JSONField(default=list, blank=True)

    handling = declare(
        pseudonym("patient"),
        as_is("kind nyha_class rhythm qrs_duration_ms qrs_morphology lvef_percent lvedv_ml lvesv_ml"),
        as_is("nt_probnp_pg_per_ml creatinine_umol_per_l systolic_mmhg diastolic_mmhg six_minute_walk_m"),
        as_is("imaging_method bnp_pg_per_ml quality_of_life_instrument quality_of_life_score global_assessment"),
        as_is("height_cm weight_kg previous_device ventricular_pacing_percent av_block pacing_need"),
        as_is("capture_assured therapy_optimised on_acei_or_arb on_arni on_beta_blocker on_mra on_sglt2_inhibitor"),
        as_is(
            "on_loop_diuretic on_antiarrhythmic on_anticoagulant scar_method scar_burden_percent posterolateral_scar"
        ),
        shifted("assessed_on"),
        withheld("confirmed_unusual", UPKEEP),
    )

    class Meta:
        ordering = ("assessed_on", "id")
        indexes = [models.Index(fields=("patient", "kind", "assessed_on"))]
        constraints = [
            one_of("assessment", "kind", AssessmentKind.values),
            one_of("assessment", "rhythm", Rhythm.values),
            one_of("assessment", "qrs_morphology", Morphology.values),
            one_of("assessment", "imaging_method", ImagingMethod.values),
            one_of("assessment", "quality_of_life_instrument", LifeInstrument.values),
            one_of("assessment", "global_assessment", GlobalAssessment.values),
            one_of("assessment", "previous_device", PreviousDevice.values),
            one_of("assessment", "scar_method", ScarMethod.values),
            *(within("assessment", one.field, *one.hard) for one in quantities.ASSESSMENT),
            models.CheckConstraint(
                condition=models.Q(lvesv_ml__isnull=True)
                | models.Q(lvedv_ml__isnull=True)
                | models.Q(lvesv_ml__lt=models.F("lvedv_ml")),
                name="assessment_lvesv_below_lvedv",
            ),
            below(
                "assessment",
                "diastolic_mmhg",
                "systolic_mmhg",
                "Diastolic pressure is higher than systolic. Check both.",
            ),
            models.CheckConstraint(
                condition=models.Q(
                    quality_of_life_instrument=LifeInstrument.NOT_ASKED, quality_of_life_score__isnull=True
                )
                | models.Q(quality_of_life_score__isnull=False) & ~models.Q(quality_of_life_instrument="not_asked"),
                name="assessment_life_score_has_instrument",
                violation_error_message="Enter both the score and the questionnaire, or neither.",
                violation_error_code="field:quality_of_life_score",
            ),
            models.CheckConstraint(
                condition=models.Q(quality_of_life_instrument=LifeInstrument.MLHFQ)
                | models.Q(quality_of_life_score__isnull=True)
                | models.Q(quality_of_life_score__lte=100),
                name="assessment_life_score_in_scale",
                violation_error_message="The highest score of this questionnaire is 100.",
                violation_error_code="field:quality_of_life_score",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} {in_words(self.assessed_on)}"
