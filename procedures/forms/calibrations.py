"""The form of a calibration: typed, or where alpha and parallel volume are worked out from."""

from __future__ import annotations

from typing import Any

from django import forms

from procedures.forms.base import EntryForm
from procedures.forms.fields import offer
from procedures.models import Calibration, Recording
from procedures.services.calibrations import FEWEST_SEGMENTS, ReferenceStroke, WashIn, segment_numbers
from registry.forms.fields import NumberField

_REFERENCE = ("reference_sv_ml", "reference_start_s", "reference_end_s")
_WASH_IN = ("wash_in_start_s", "wash_in_end_s")
_NUMBERS = ("valid_from_s", "electrode_spacing_mm", "blood_resistivity_ohm_cm", *_REFERENCE, *_WASH_IN)


class CalibrationForm(EntryForm):
    """A calibration of the volumes of a recording."""

    valid_from_s = NumberField(
        label="Valid from",
        unit="s",
        required=False,
        help_text="Leave empty for the start of the recording. A calibration is valid until the next one.",
    )
    electrode_spacing_mm = NumberField(label="Electrode spacing", unit="mm")
    blood_resistivity_ohm_cm = NumberField(label="Blood resistivity", unit="Ohm·cm")
    excluded_segments = forms.TypedMultipleChoiceField(
        label="Excluded segments",
        required=False,
        coerce=int,
        widget=forms.CheckboxSelectMultiple,
        help_text="Segments outside the ventricle. They are excluded from the whole recording, for every calibration.",
    )
    alpha = NumberField(
        label="Alpha", required=False, help_text="Leave empty for 1, or to calculate it from the stroke volume."
    )
    reference_sv_ml = NumberField(label="Reference stroke volume", unit="mL", required=False)
    reference_start_s = NumberField(label="Steady stretch, from", unit="s", required=False)
    reference_end_s = NumberField(label="Steady stretch, to", unit="s", required=False)
    parallel_volume_ml = NumberField(
        label="Parallel volume",
        unit="mL",
        required=False,
        help_text="Subtracted before dividing by alpha. Leave empty for 0, or to calculate it from the wash-in.",
    )
    wash_in_start_s = NumberField(label="Wash-in, from", unit="s", required=False)
    wash_in_end_s = NumberField(label="Wash-in, to", unit="s", required=False)

    def __init__(
        self,
        data: Any = None,
        *,
        recording: Recording,
        record: Calibration | None = None,
        like: Calibration | None = None,
        **options: Any,
    ) -> None:
        """Offer a stored calibration to be changed, or the constants of another one as a beginning."""
        initial = _values(record) if record else _carried(like) if like else {}
        super().__init__(data, session=recording.session, record=record, initial=initial, **options)
        segments, conductances = segment_numbers(recording)
        if not conductances:
            del self.fields["electrode_spacing_mm"], self.fields["blood_resistivity_ohm_cm"]
        if len(segments) > FEWEST_SEGMENTS:
            offer(self, "excluded_segments", [(n, f"Segment {n}") for n in segments])
        else:
            del self.fields["excluded_segments"]

    def clean(self) -> dict[str, Any]:
        """Either a number or where it comes from, and then all of that."""
        data = super().clean() or {}
        for typed, source in (("alpha", _REFERENCE), ("parallel_volume_ml", _WASH_IN)):
            given = [name for name in source if data.get(name) is not None or name in self.errors]
            if given and data.get(typed) is not None:
                self.add_error(typed, f"{self.fields[typed].label}: enter it or have it calculated, not both.")
            for name in source if given else ():
                if name not in given:
                    self.add_error(name, f"{self.fields[name].label}: needed for the calculation.")
        return data

    @property
    def values(self) -> dict[str, Any]:
        """What the service takes."""
        data = self.cleaned_data
        alpha: float | ReferenceStroke = 1.0 if data["alpha"] is None else data["alpha"]
        if data["reference_sv_ml"] is not None:
            alpha = ReferenceStroke(*(data[name] for name in _REFERENCE))
        parallel: float | WashIn = data["parallel_volume_ml"] or 0.0
        if data["wash_in_start_s"] is not None:
            parallel = WashIn(*(data[name] for name in _WASH_IN))
        return {
            "valid_from_s": data["valid_from_s"],
            "electrode_spacing_mm": data.get("electrode_spacing_mm"),
            "blood_resistivity_ohm_cm": data.get("blood_resistivity_ohm_cm"),
            "excluded_segments": data.get("excluded_segments", []),
            "alpha": alpha,
            "parallel_volume_ml": parallel,
        }


def _values(record: Calibration) -> dict[str, Any]:
    values = {name: getattr(record, name) for name in (*_NUMBERS, "excluded_segments")}
    # What was worked out is worked out again, from the same place.
    if record.reference_sv_ml is None:
        values["alpha"] = record.alpha
    if record.wash_in_start_s is None:
        values["parallel_volume_ml"] = record.parallel_volume_ml
    return values


def _carried(like: Calibration) -> dict[str, Any]:
    names = ("electrode_spacing_mm", "blood_resistivity_ohm_cm", "excluded_segments", "alpha", "parallel_volume_ml")
    return {name: getattr(like, name) for name in names}
