"""Row after row: cells to values, values to records, and every problem with its row and column."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from django.db import models

from registry.described.table import Builder, Stored, TableKind, Wrong
from registry.described.words import folded
from registry.importing.cells import CellError
from registry.importing.plan import Plan
from registry.importing.readings import Reading
from registry.importing.table import Cell, Fault, Table, letters

PROBLEM, UNUSUAL, STORED = "problem", "unusual", "already stored"


class Finding(NamedTuple):
    """One line of the list: where, how grave, and what."""

    row: int
    letters: str
    column: str
    gravity: str
    sentence: str


@dataclass
class Judged:
    """One row: the records it makes when nothing is wrong, and what was found."""

    number: int
    records: list[models.Model] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    stored: bool = False


def judge(
    table: Table, kind: TableKind, plan: Plan, readings: dict[str, Reading], builder: Builder
) -> Iterator[Judged]:
    """Judge every row of a table. A row with a problem makes no record."""
    place_of = {name: place for place, name in enumerate(table.header) if name}
    read = [(name, place_of[plan.columns[name]], reading) for name, reading in readings.items()]
    at = {name: place for name, place, _ in read}
    targets = {target.name: target for target in kind.targets()}
    fixed = {name: targets[name].words[folded(word)] for name, word in plan.fixed.items() if name not in at}
    missing = {
        name: target.when_missing
        for name, target in targets.items()
        if name not in at and name not in fixed and target.when_missing is not None
    }

    def where(wrong: Wrong, number: int, gravity: str = PROBLEM) -> Finding:
        name, sentence = wrong
        place = at.get(name)
        if place is None:
            label = targets[name].label if name in targets else "the row"
            return Finding(number, "", label, gravity, sentence)
        return Finding(number, letters(place), table.header[place], gravity, sentence)

    for number, row in table.rows:
        judged = Judged(number)
        values = missing | fixed
        for name, place, reading in read:
            try:
                values[name] = reading.value(row[place])
            except CellError as error:
                judged.findings.append(where((name, str(error)), number))
        judged.findings += [where(("", one.sentence), number) for one in _beyond(row, len(table.header))]
        if not judged.findings:
            strange = kind.unusual(values)
            try:
                judged.records, wrong = builder.records(number, values)
            except Stored:
                judged.stored = True
                if not plan.leave_out_stored:
                    judged.findings.append(where(("", "is already stored"), number, STORED))
            else:
                judged.findings += [where(one, number) for one in wrong]
                judged.findings += [where(one, number, UNUSUAL) for one in strange]
        yield judged


def _beyond(row: Sequence[Cell], width: int) -> list[Fault]:
    """Return faults of the row itself, which reading puts behind its last cell."""
    cells: list[Cell] = list(row[width:])
    return [cell for cell in cells if isinstance(cell, Fault)]
