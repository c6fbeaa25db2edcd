"""Forms of a tested site and of what was measured there."""

from __future__ import annotations

from typing import Any

from django import forms

from procedures.forms.base import EntryForm
from procedures.forms.fields import MomentField, pick, radios, words
from procedures.limits import LEAD_QUANTITIES, OUTPUT_QUANTITIES
from procedures.models import LeadMeasurement, LongAxis, Obstacle, Site, Stability, Vein
from registry.forms.fields import CountField, NumberField

# Names of the 17 segments: Cerqueira et al., Circulation 2002;105:539.
AHA_SEGMENTS = {
    1: "basal anterior",
    2: "basal anteroseptal",
    3: "basal inferoseptal",
    4: "basal inferior",
    5: "basal inferolateral",
    6: "basal anterolateral",
    7: "mid anterior",
    8: "mid anteroseptal",
    9: "mid inferoseptal",
    10: "mid inferior",
    11: "mid inferolateral",
    12: "mid anterolateral",
    13: "apical anterior",
    14: "apical septal",
    15: "apical inferior",
    16: "apical lateral",
    17: "apex",
}
REACHED = (("yes", "Reached"), ("no", "Not reached"))
_SITE_VALUES = ("long_axis", "cathode", "anode", "stability", "notes")


class SiteForm(EntryForm):
    """A lead position in a tributary."""

    on_paper = True
    says_optional = ("label", "cathode", "anode")
    field_order = ("vein", "ordinal", "label", "long_axis", "aha_segment", "reached", "not_reached_reason", "stability")

    vein = pick(Vein.choices, "Tributary")
    ordinal = CountField(
        label="Number",
        required=False,
        help_text="1, unless there are two veins of the same name.",
    )
    label = forms.CharField(
        label="Name of the site",
        max_length=40,
        help_text="The name the team uses, such as PL mid. Recordings can refer to it.",
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )
    reached = radios(REACHED, "Was the position reached?")
    not_reached_reason = pick(Obstacle.choices, "Why it was not reached", required=False)
    long_axis = radios(LongAxis.choices, "Position on the long axis")
    aha_segment = pick(
        [(str(number), f"{number} {name}") for number, name in AHA_SEGMENTS.items()],
        "AHA segment",
        blank="Not known",
        required=False,
    )
    cathode = forms.CharField(label="Cathode", max_length=20, required=False, help_text="Electrode, such as LV2.")
    anode = forms.CharField(label="Anode", max_length=20, required=False, help_text="Such as LV4 or RV coil.")
    stability = radios(Stability.choices, "Stability", required=False)
    notes = words("Notes", required=False)

    def __init__(self, data: Any = None, *, record: Site | None = None, **options: Any) -> None:
        initial = options.pop("initial", None) or {}
        if record:
            initial = {name: getattr(record, name) for name in (*_SITE_VALUES, "label", "not_reached_reason")}
            initial |= {"vein": record.tributary.vein, "ordinal": record.tributary.ordinal}
            initial |= {
                "reached": "yes" if record.reached else "no",
                "aha_segment": str(record.aha_segment or ""),
            }
        super().__init__(data, record=record, initial={"ordinal": 1} | initial, **options)

    def clean_ordinal(self) -> int:
        """Read an empty field as the first."""
        return self.cleaned_data["ordinal"] or 1

    def clean(self) -> dict[str, Any]:
        """Hold reached and reason against each other."""
        data = super().clean() or {}
        if data.get("reached") == "no" and not data.get("not_reached_reason"):
            self.add_error("not_reached_reason", "Choose why the position was not reached.")
        if data.get("reached") == "yes" and data.get("not_reached_reason"):
            self.add_error("not_reached_reason", "The position was reached, so leave the reason empty.")
        return data

    @property
    def values(self) -> dict[str, Any]:
        """The fields of the site."""
        data = self.cleaned_data
        values = {name: data[name] for name in _SITE_VALUES}
        values["stability"] = values["stability"] or Stability.UNKNOWN
        return values | {
            "label": data["label"],
            "reached": data["reached"] == "yes",
            "not_reached_reason": data["not_reached_reason"],
            "aha_segment": int(data["aha_segment"]) if data["aha_segment"] else None,
        }


_MEASURED = ("cathode", "anode", "qrs_notes", *LEAD_QUANTITIES, *OUTPUT_QUANTITIES)


class MeasurementForm(EntryForm):
    """What was measured electrically at a site."""

    on_paper = True
    measured_at = MomentField(label="Measured at")
    cathode = forms.CharField(
        label="Cathode", max_length=20, required=False, help_text="Leave empty for the electrodes of the site."
    )
    anode = forms.CharField(label="Anode", max_length=20, required=False)
    qrs_notes = forms.CharField(label="QRS description", max_length=200, required=False)

    def __init__(self, data: Any = None, *, record: LeadMeasurement | None = None, **options: Any) -> None:
        initial = options.pop("initial", None) or {}
        if record:
            names = ("measured_at", *_MEASURED)
            initial = {name: getattr(record, name) for name in names}
        super().__init__(data, record=record, initial=initial, **options)
        for name, quantity in (LEAD_QUANTITIES | OUTPUT_QUANTITIES).items():
            self.fields[name] = NumberField(label=quantity.label, unit=quantity.unit, required=False)
        first = [name for name in LEAD_QUANTITIES if name != "qrs_duration_ms"]
        last = ("qrs_duration_ms", "qrs_notes", "measured_at")
        self.order_fields([*first, "cathode", "anode", *OUTPUT_QUANTITIES, *last])
        self.fields["phrenic_threshold_v"].help_text = "If the diaphragm moved: the lowest voltage at which it moved."
        self.fields["phrenic_none_up_to_v"].help_text = "If it did not move: the highest voltage tested."

    def clean(self) -> dict[str, Any]:
        """Hold the pairs against each other, and refuse a measurement of nothing."""
        data = super().clean() or {}
        if data.get("capture_threshold_v") is not None and data.get("pulse_width_ms", 0) is None:
            self.add_error("pulse_width_ms", "Pulse width: enter the one at which the threshold was measured.")
        if data.get("phrenic_threshold_v") is not None and data.get("phrenic_none_up_to_v") is not None:
            message = "Enter either the phrenic-stimulation threshold or the voltage without stimulation, not both."
            self.add_error("phrenic_none_up_to_v", message)
        if bool(data.get("cathode")) != bool(data.get("anode")):
            self.add_error("anode", "Enter both cathode and anode, or neither.")
        outputs = [data[name] is None for name in OUTPUT_QUANTITIES if name in data]
        if len(set(outputs)) > 1:
            self.add_error("output_width_ms", "Programmed output: enter voltage and pulse width, or neither.")
        if not self.errors and all(
            data.get(name) in (None, "") for name in (*LEAD_QUANTITIES, *OUTPUT_QUANTITIES, "qrs_notes")
        ):
            self.add_error(None, "Enter at least one value. Leave empty what was not measured.")
        return data

    @property
    def values(self) -> dict[str, Any]:
        """The fields of the record."""
        return {name: self.cleaned_data[name] for name in ("measured_at", *_MEASURED)}
