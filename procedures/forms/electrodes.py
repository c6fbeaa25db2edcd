"""The table of electrode pairs as a form: cathodes by anodes, three values a cell."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django import forms

from procedures.forms.base import EntryForm
from procedures.forms.fields import MomentField
from procedures.services.sites import GridCell
from registry.forms.fields import NumberField
from registry.models import new_key

_ABOVE = re.compile(r"^\s*[>≥]\s*")


class PhrenicField(NumberField):
    """Volts at which the diaphragm moved, or ``>10`` where it did not up to 10 V."""

    def __init__(self, label: str, **options: Any) -> None:
        super().__init__(label, "V", **options)
        self.widget.attrs.pop("inputmode", None)

    def to_python(self, value: Any) -> Any:
        """Return (threshold, none up to)."""
        text = str(value or "")
        above = bool(_ABOVE.match(text))
        number = super().to_python(_ABOVE.sub("", text))
        if number is None:
            if above:
                raise forms.ValidationError(f"{self.label}: enter the highest voltage tested after the >.")
            return None
        return (None, number) if above else (number, None)


@dataclass(frozen=True)
class GridInputs:
    """The inputs of one pair."""

    cathode: str
    anode: str
    threshold: forms.BoundField
    phrenic: forms.BoundField
    impedance: forms.BoundField

    @property
    def wrong(self) -> bool:
        """Whether something in it is refused."""
        return bool(self.threshold.errors or self.phrenic.errors or self.impedance.errors)


class ElectrodeGridForm(EntryForm):
    """Thresholds, phrenic answers and impedances of several pairs, taken at one pulse width."""

    on_paper = True
    field_order = ("pulse_width_ms", "measured_at")

    measured_at = MomentField(label="Measured at")
    pulse_width_ms = NumberField("Pulse width", "ms")

    def __init__(
        self, data: Any = None, *, cathodes: Sequence[str], anodes: Sequence[str], initial: Any = None, **options: Any
    ) -> None:
        super().__init__(data, initial={"pulse_width_ms": 0.5} | dict(initial or {}), **options)
        self.cathodes, self.anodes = tuple(cathodes), tuple(anodes)
        self._names: dict[tuple[str, str], str] = {}
        for row, cathode in enumerate(self.cathodes):
            for column, anode in enumerate(self.anodes):
                if cathode != anode:
                    self._add(f"p{row}_{column}", cathode, anode)
        below = ("from_paper", "amendment_reason")  # on the page below the table
        self.fields |= {name: self.fields.pop(name) for name in below if name in self.fields}

    def _add(self, name: str, cathode: str, anode: str) -> None:
        pair = f"{cathode} to {anode}"
        self._names[cathode, anode] = name
        self.fields[f"{name}_threshold"] = NumberField(f"{pair}, threshold", "V", required=False)
        self.fields[f"{name}_phrenic"] = PhrenicField(f"{pair}, phrenic", required=False)
        self.fields[f"{name}_impedance"] = NumberField(f"{pair}, impedance", "Ohm", required=False)
        for part, unit in (("threshold", "V"), ("phrenic", "V"), ("impedance", "Ohm")):
            self.fields[f"{name}_{part}"].widget.attrs["aria-label"] = f"{pair}, {part}, {unit}"
        self.fields[f"{name}_key"] = forms.UUIDField(widget=forms.HiddenInput)
        self.initial[f"{name}_key"] = new_key()

    def rows(self) -> list[tuple[str, list[GridInputs | None]]]:
        """Return the inputs row by row; the diagonal is empty."""
        return [(cathode, [self._inputs(cathode, anode) for anode in self.anodes]) for cathode in self.cathodes]

    def _inputs(self, cathode: str, anode: str) -> GridInputs | None:
        name = self._names.get((cathode, anode))
        if name is None:
            return None
        return GridInputs(cathode, anode, *(self[f"{name}_{part}"] for part in ("threshold", "phrenic", "impedance")))

    def keys(self) -> list[forms.BoundField]:
        """Return the keys that make sending the form twice write once."""
        return [self[f"{name}_key"] for name in self._names.values()]

    def clean(self) -> dict[str, Any]:
        """Refuse a table of nothing."""
        data = super().clean() or {}
        if not self.errors and not self.cells:
            self.add_error(None, "Enter at least one value. Leave empty what was not measured.")
        return data

    @property
    def cells(self) -> list[GridCell]:
        """The pairs for which something was typed."""
        found = []
        for (cathode, anode), name in self._names.items():
            threshold, impedance = (self.cleaned_data.get(f"{name}_{part}") for part in ("threshold", "impedance"))
            moved, none_up_to = self.cleaned_data.get(f"{name}_phrenic") or (None, None)
            values = {
                "capture_threshold_v": threshold,
                "impedance_ohm": impedance,
                "phrenic_threshold_v": moved,
                "phrenic_none_up_to_v": none_up_to,
            }
            if any(value is not None for value in values.values()):
                found.append(GridCell(cathode, anode, self.cleaned_data[f"{name}_key"], values))
        return found
