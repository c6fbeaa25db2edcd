"""A first walk over a file: what it proves about its dates and numbers, and which words it uses."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

from registry.described.field import DescribedField, Sort
from registry.described.words import folded
from registry.importing.cells import Agreed, CellError, decimal_proof, number_in, proves, text_in
from registry.importing.table import Cell, Fault, Row

MOST_WORDS = 40


@dataclass
class Scan:
    """What was seen. ``spans`` holds the least and greatest number of a column under either decimal sign."""

    rows: int = 0
    date_orders: dict[str, str] = field(default_factory=dict)
    order_in_doubt: str = ""
    serial: str = ""
    decimals: dict[str, str] = field(default_factory=dict)
    decimal_in_doubt: str = ""
    spans: dict[str, dict[str, list[float]]] = field(default_factory=dict)
    words: dict[str, dict[str, int]] = field(default_factory=dict)

    @property
    def date_order(self) -> str:
        """The order that the file proves, if it proves one."""
        return next(iter(self.date_orders)) if len(self.date_orders) == 1 else ""

    @property
    def date_order_open(self) -> str:
        """Why the order must be asked for; empty when it need not."""
        if len(self.date_orders) > 1:
            examples = " and ".join(f"'{text}'" for text in self.date_orders.values())
            return f"The file mixes date orders: {examples} cannot be read the same way."
        if self.order_in_doubt and not self.date_orders:
            return (
                f"'{self.order_in_doubt}' could be two different dates, and no date in the file shows which is meant."
            )
        return ""

    @property
    def decimal(self) -> str:
        """The decimal sign that the file proves, if it proves one."""
        return next(iter(self.decimals)) if len(self.decimals) == 1 else ""

    @property
    def decimal_open(self) -> str:
        """Why the decimal sign must be asked for; empty when it need not."""
        if len(self.decimals) > 1:
            examples = " and ".join(f"'{text}'" for text in self.decimals.values())
            return f"The file mixes decimal signs: {examples}."
        if self.decimal_in_doubt and not self.decimals:
            return f"'{self.decimal_in_doubt}' could mean a thousand or one, and no number in the file shows which."
        return ""

    def span(self, name: str, decimal: str) -> tuple[float | None, float]:
        """Return the least and greatest number of a column; None when it holds none."""
        found = self.spans.get(name, {}).get(decimal)
        return (found[0], found[1]) if found else (None, 0.0)

    def stored(self) -> dict[str, Any]:
        """Return it for storing."""
        return asdict(self)


def scan(rows: Iterable[Row], columns: Mapping[int, DescribedField], missing: Iterable[str] = ()) -> Scan:
    """Walk a file once; ``columns`` says which position is for what."""
    seen = Scan()
    agreed = Agreed(missing=frozenset(folded(word) for word in missing))
    numbers = [(place, one.name) for place, one in columns.items() if one.sort in (Sort.NUMBER, Sort.WHOLE)]
    days = [place for place, one in columns.items() if one.sort in (Sort.DAY, Sort.MOMENT)]
    words = [(place, one) for place, one in columns.items() if one.sort is Sort.WORD]
    names = {place: target.label for place, target in columns.items()}
    for _, row in rows:
        seen.rows += 1
        for place, name in numbers:
            _number(seen, name, row[place], agreed)
        for place in days:
            _day(seen, names[place], row[place])
        for place, target in words:
            _word(seen, target, row[place], agreed)
    return seen


def _number(seen: Scan, name: str, cell: Cell, agreed: Agreed) -> None:
    if cell is None or isinstance(cell, Fault):
        return
    if isinstance(cell, str):
        text = cell.strip()
        proof = decimal_proof(text)
        if proof:
            seen.decimals.setdefault(proof, text[:30])
        elif proof == "":
            seen.decimal_in_doubt = seen.decimal_in_doubt or text[:30]
    for sign in (".", ","):
        try:
            value = number_in(cell, Agreed(decimal=sign, missing=agreed.missing))
        except CellError:
            continue
        if value is None:
            continue
        span = seen.spans.setdefault(name, {}).setdefault(sign, [value, value])
        if value < span[0]:
            span[0] = value
        elif value > span[1]:
            span[1] = value


def _day(seen: Scan, label: str, cell: Cell) -> None:
    if isinstance(cell, bool) or cell is None or isinstance(cell, Fault):
        return
    if isinstance(cell, int | float):
        seen.serial = seen.serial or label
    elif isinstance(cell, str):
        text = cell.strip().replace("T", " ", 1).partition(" ")[0]
        found = proves(text)
        if "serial" in found:
            seen.serial = seen.serial or label
        elif found.get("date_order"):
            seen.date_orders.setdefault(found["date_order"], text[:30])
        elif found:
            seen.order_in_doubt = seen.order_in_doubt or text[:30]


def _word(seen: Scan, target: DescribedField, cell: Cell, agreed: Agreed) -> None:
    try:
        text = text_in(cell, agreed)
    except CellError:
        return
    if text is None or (key := folded(text)) in target.words or len(key) > 60:
        return
    found = seen.words.setdefault(target.name, {})
    if key in found or len(found) < MOST_WORDS:
        found[key] = found.get(key, 0) + 1
