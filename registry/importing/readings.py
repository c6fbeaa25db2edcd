"""How the cells of one column are read, as agreed for the file."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from django.core.exceptions import ValidationError

from registry.described.field import DescribedField, Sort
from registry.described.words import folded
from registry.importing import cells
from registry.importing.cells import Agreed, CellError
from registry.importing.table import Cell


@dataclass(frozen=True)
class Reading:
    """How one target's cells are read in this file: the factor of its unit, and words explained by a person."""

    target: DescribedField
    agreed: Agreed
    factor: float = 1.0
    words: dict[str, Any] = field(default_factory=dict)

    def value(self, cell: Cell) -> Any:
        """Return the value to store.

        Raises
        ------
        CellError
            When the cell cannot be read, or breaks a rule of the field.
        """
        target = self.target
        value = self._read(cell)
        if value is None:
            if target.required:
                raise CellError("is empty")
            return target.when_missing
        for check in target.checks:
            try:
                check(value)
            except ValidationError as error:
                raise CellError(" ".join(error.messages)) from None
        return value

    def _read(self, cell: Cell) -> Any:
        target = self.target
        match target.sort:
            case Sort.NUMBER:
                number = cells.number_in(cell, self.agreed)
                return None if number is None else self._in_range(number)
            case Sort.WHOLE:
                number = cells.number_in(cell, self.agreed)
                if number is not None and number % 1:
                    raise CellError(f"{number:g} is not a whole number")
                return None if number is None else int(self._in_range(number))
            case Sort.DAY:
                return cells.day_in(cell, self.agreed)
            case Sort.MOMENT:
                return cells.moment_in(cell, self.agreed)
            case Sort.WORD:
                return self._word(cells.text_in(cell, self.agreed))
        text = cells.text_in(cell, self.agreed)
        if text and target.longest and len(text) > target.longest:
            raise CellError(f"has {len(text)} characters; at most {target.longest} are allowed")
        return text

    def _word(self, text: str | None) -> Any:
        if text is None:
            return None
        key = folded(text)
        if key in self.words:
            return self.words[key]
        if key in self.target.words:
            return self.target.words[key]
        known = ", ".join(label for _, label in self.target.options[:12])
        raise CellError(f"'{text[:60]}' is not one of: {known}")

    def _in_range(self, number: float) -> float:
        value = float(f"{number * self.factor:.10g}") if self.factor != 1 else number
        low, high = self.target.low, self.target.high
        if (low is not None and value < low) or (high is not None and value > high):
            stored = f" ({value:g} {self.target.unit})" if self.factor != 1 else f" {self.target.unit}".rstrip()
            between = f"{low:g} to {high:g}" if low is not None and high is not None else "the possible range"
            raise CellError(f"{number:g}{stored} is outside {between}")
        return value
