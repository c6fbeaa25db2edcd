"""The form of an assessment: a clinical state before the implant or at follow-up."""

from __future__ import annotations

from typing import Any

from django import forms

from registry.clinical.units import CREATININE_UNITS, PEPTIDE_UNITS, creatinine_umol_per_l, peptide_pg_per_ml
from registry.forms.base import MeasuredForm
from registry.forms.fields import AnswerField, DayField, ListField, NumberField, YesNoField
from registry.models import (
    MEDICINES,
    Assessment,
    AssessmentKind,
    GlobalAssessment,
    ImagingMethod,
    LifeInstrument,
    Morphology,
    PreviousDevice,
    Record,
    Rhythm,
    ScarMethod,
)

NYHA = [("1", "I"), ("2", "II"), ("3", "III"), ("4", "IV"), ("unknown", "Not known")]
_UNIT_OF = {
    "nt_probnp_pg_per_ml": "peptide_unit",
    "bnp_pg_per_ml": "peptide_unit",
    "creatinine_umol_per_l": "creatinine_unit",
}


def _unit(label: str, choices: tuple[tuple[str, str], ...]) -> forms.ChoiceField:
    # No unit is chosen beforehand: a number under the wrong one is off by a factor that nobody would see.
    return forms.ChoiceField(label=label, choices=[("", "Choose"), *choices], required=False)


def _asked(name: str) -> YesNoField:
    return YesNoField(str(Assessment._meta.get_field(name).verbose_name))  # type: ignore[union-attr] # a column


class AssessmentForm(MeasuredForm):
    """A clinical state on one day; what is left empty is stored as not measured."""

    kind = AnswerField("When", AssessmentKind.choices)
    assessed_on = DayField("Date of assessment")
    rhythm = AnswerField("Atrial rhythm", Rhythm.choices)
    qrs_morphology = AnswerField("QRS morphology", Morphology.choices)
    qrs_duration_ms = NumberField("QRS duration", "ms", required=False)
    nyha_class = AnswerField("NYHA class", NYHA)
    systolic_mmhg = NumberField("Systolic pressure", "mmHg", required=False)
    diastolic_mmhg = NumberField("Diastolic pressure", "mmHg", required=False)
    six_minute_walk_m = NumberField("Six-minute walk", "m", required=False)
    height_cm = NumberField("Height", "cm", required=False)
    weight_kg = NumberField("Weight", "kg", required=False)
    imaging_method = ListField("Method of LVEF and volumes", ImagingMethod.choices, empty=ImagingMethod.UNKNOWN)
    lvef_percent = NumberField("LVEF", "%", required=False)
    lvedv_ml = NumberField("LVEDV", "mL", required=False)
    lvesv_ml = NumberField("LVESV", "mL", required=False)
    scar_method = ListField("Scar imaging", ScarMethod.choices, empty=ScarMethod.UNKNOWN)
    scar_burden_percent = NumberField("Scar, percentage of the left ventricle", "%", required=False)
    posterolateral_scar = _asked("posterolateral_scar")
    nt_probnp_pg_per_ml = NumberField("NT-proBNP", required=False)
    bnp_pg_per_ml = NumberField("BNP", required=False)
    peptide_unit = _unit("Unit of natriuretic peptide", PEPTIDE_UNITS)
    creatinine_umol_per_l = NumberField("Creatinine", required=False)
    creatinine_unit = _unit("Unit of creatinine", CREATININE_UNITS)
    quality_of_life_instrument = ListField(
        "Quality-of-life questionnaire", LifeInstrument.choices, empty=LifeInstrument.NOT_ASKED
    )
    quality_of_life_score = NumberField("Quality-of-life score", required=False)
    global_assessment = ListField(
        "Patient's own assessment of the change since the implant",
        GlobalAssessment.choices,
        empty=GlobalAssessment.UNKNOWN,
    )
    therapy_optimised = _asked("therapy_optimised")
    on_acei_or_arb = _asked("on_acei_or_arb")
    on_arni = _asked("on_arni")
    on_beta_blocker = _asked("on_beta_blocker")
    on_mra = _asked("on_mra")
    on_sglt2_inhibitor = _asked("on_sglt2_inhibitor")
    on_loop_diuretic = _asked("on_loop_diuretic")
    on_antiarrhythmic = _asked("on_antiarrhythmic")
    on_anticoagulant = _asked("on_anticoagulant")
    previous_device = ListField("Device before", PreviousDevice.choices, empty=PreviousDevice.UNKNOWN)
    ventricular_pacing_percent = NumberField("Ventricular pacing, measured or expected", "%", required=False)
    av_block = _asked("av_block")
    pacing_need = _asked("pacing_need")
    capture_assured = _asked("capture_assured")

    groups = (
        ("Day", ("kind", "assessed_on")),
        ("Rhythm and ECG", ("rhythm", "qrs_morphology", "qrs_duration_ms")),
        (
            "State",
            ("nyha_class", "systolic_mmhg", "diastolic_mmhg", "six_minute_walk_m", "height_cm", "weight_kg"),
        ),
        (
            "Left ventricle",
            (
                "imaging_method",
                "lvef_percent",
                "lvedv_ml",
                "lvesv_ml",
                "scar_method",
                "scar_burden_percent",
                "posterolateral_scar",
            ),
        ),
        (
            "Laboratory",
            ("nt_probnp_pg_per_ml", "bnp_pg_per_ml", "peptide_unit", "creatinine_umol_per_l", "creatinine_unit"),
        ),
        ("Quality of life", ("quality_of_life_instrument", "quality_of_life_score", "global_assessment")),
        ("Medicines", ("therapy_optimised", *MEDICINES)),
        (
            "Device and pacing",
            ("previous_device", "ventricular_pacing_percent", "av_block", "pacing_need", "capture_assured"),
        ),
    )

    def shown(self, record: Record) -> dict[str, Any]:
        """Return the stored values; a missing NYHA class is the answer "Not known", and units are the stored ones."""
        values = super().shown(record)
        stored = {"peptide_unit": "pg/mL", "creatinine_unit": "umol/L"}
        units = {unit: stored[unit] for name, unit in _UNIT_OF.items() if values[name] is not None}
        return values | units | {"nyha_class": values["nyha_class"] or "unknown"}

    def clean_nyha_class(self) -> int | None:
        """Return the class as a number, or nothing when it is not known."""
        answer = self.cleaned_data["nyha_class"]
        return None if answer == "unknown" else int(answer)

    def clean(self) -> dict[str, Any]:
        """Bring what laboratories report to the unit it is kept in; a number without its unit is asked about."""
        cleaned = super().clean() or {}
        for name, unit in _UNIT_OF.items():
            value, chosen = cleaned.get(name), cleaned.get(unit)
            if value is None:
                continue
            if not chosen:
                if unit not in self.errors:
                    self.add_error(unit, f"{self.fields[unit].label}: choose the one on the laboratory's report.")
            elif name == "creatinine_umol_per_l":
                cleaned[name] = round(creatinine_umol_per_l(value, chosen), 6)
            else:
                cleaned[name] = round(peptide_pg_per_ml(value, chosen, name.split("_pg_")[0]), 6)
        return cleaned

    def values(self) -> dict[str, Any]:
        """Return what is stored; units are not."""
        return {name: value for name, value in super().values().items() if not name.endswith("_unit")}
