"""Which column is for what, and what was settled about the file: proposed from names, decided by a person."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from registry.described.field import DescribedField, Sort
from registry.described.table import TableKind
from registry.described.units import named_in, without_unit
from registry.described.words import folded
from registry.errors import RuleBroken
from registry.importing.cells import ORDERS, SERIALS, Agreed
from registry.importing.readings import Reading
from registry.importing.scan import Scan

MISSING = "missing"  # what a word may be said to stand for, besides the words of the list


@dataclass(frozen=True)
class Plan:
    """The decisions about one file, as they are stored: names of columns, fixed words, units, explained words."""

    columns: dict[str, str] = field(default_factory=dict)
    fixed: dict[str, str] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    words: dict[str, dict[str, str]] = field(default_factory=dict)
    date_order: str = ""
    serial: str = ""
    decimal: str = ""
    missing: tuple[str, ...] = ()
    leave_out_stored: bool = False

    @classmethod
    def of(cls, stored: Mapping[str, Any]) -> Plan:
        """Return the plan that was stored."""
        return cls(**{**stored, "missing": tuple(stored.get("missing", ()))})


def proposed(kind: TableKind, header: Sequence[str], last: Plan | None = None) -> dict[str, str]:
    """Return a column for each target whose name it bears, letter for letter but for case and unit.

    What was decided last time for a column of the same name comes first. Nothing near is proposed: LVESV is not LVEDV.
    """
    names = {folded(name): name for name in header if name}
    bare = {folded(without_unit(name)): name for name in header if name}
    found: dict[str, str] = {}
    for target in kind.targets():
        before = last.columns.get(target.name) if last else None
        if before and folded(before) in names:
            found[target.name] = names[folded(before)]
            continue
        for own in (target.name, target.label, *target.other_names):
            column = names.get(folded(own)) or bare.get(folded(own)) or names.get(folded(own.replace("_", " ")))
            if column:
                found.setdefault(target.name, column)
    taken: set[str] = set()
    for name, column in list(found.items()):
        if column in taken:
            del found[name]
        taken.add(column)
    return found


def check_columns(kind: TableKind, header: Sequence[str], plan: Plan) -> None:
    """Refuse a plan that names what is not there, or leaves out what must be there.

    Raises
    ------
    RuleBroken
        With the messages by target.
    """
    targets = {target.name: target for target in kind.targets()}
    wrong: dict[str, list[str]] = {}
    names = {name for name in header if name}
    used: dict[str, str] = {}
    for name, column in plan.columns.items():
        if name not in targets:
            wrong.setdefault("", []).append(f"'{name}' is not a field of {kind.label.lower()}.")
        elif column not in names:
            wrong.setdefault(name, []).append(f"{targets[name].label}: there is no column '{column}'.")
        elif column in used:
            other = targets[used[column]].label
            wrong.setdefault(name, []).append(f"{targets[name].label}: column '{column}' is already used for {other}.")
        else:
            used[column] = name
    for name, word in plan.fixed.items():
        target = targets.get(name)
        if target is None or target.sort is not Sort.WORD or word not in dict(target.options):
            wrong.setdefault(name if target else "", []).append(
                f"'{word}' cannot be the same value for all rows of '{name}'."
            )
    for target in targets.values():
        if target.required and target.name not in plan.columns and target.name not in plan.fixed:
            choose = " or the same answer for every row" if target.sort is Sort.WORD else ""
            wrong.setdefault(target.name, []).append(f"{target.label}: choose its column{choose}.")
    if kind.alternatives and not any(name in plan.columns for name in kind.alternatives):
        labels = " or ".join(targets[name].label.lower() for name in kind.alternatives)
        wrong.setdefault(kind.alternatives[0], []).append(f"Choose a column for the {labels}.")
    if wrong:
        raise RuleBroken(next(iter(wrong.values()))[0], fields=wrong)


@dataclass(frozen=True)
class Question:
    """Something the file leaves open. ``key`` is where the answer goes; ``why`` says what was seen."""

    key: str
    label: str
    why: str
    options: tuple[tuple[str, str], ...]
    answer: str = ""


def questions(kind: TableKind, plan: Plan, scan: Scan) -> list[Question]:
    """Return what a person must say before the file can be read, with the answers given so far."""
    asked = []
    if scan.serial:
        why = (
            f"Column '{scan.serial}' holds numbers where a date is expected: are they the day numbers of a spreadsheet?"
        )
        options = tuple(
            (key, f"days counted from {start.year if key == '1904' else 1900}") for key, start in SERIALS.items()
        )
        asked.append(
            Question("serial", "Dates that are numbers", why, (*options, ("none", "they are mistakes")), plan.serial)
        )
    if scan.date_order_open:
        options = tuple((key, words) for key, words in ORDERS.items())
        asked.append(Question("date_order", "Order of dates", scan.date_order_open, options, plan.date_order))
    if scan.decimal_open:
        options = ((".", "a point: 1.5"), (",", "a comma: 1,5"))
        asked.append(Question("decimal", "Decimal sign", scan.decimal_open, options, plan.decimal))
    decimal = plan.decimal or scan.decimal or "."
    for target in _mapped(kind, plan):
        if target.sort in (Sort.NUMBER, Sort.WHOLE):
            asked += _unit(target, plan, scan, decimal)
        elif target.sort is Sort.WORD:
            asked += _unknown_words(target, plan, scan)
    return asked


def _mapped(kind: TableKind, plan: Plan) -> list[DescribedField]:
    return [target for target in kind.targets() if target.name in plan.columns]


def fitting_units(target: DescribedField, scan: Scan, decimal: str) -> list[str]:
    """Return the units under which every number of the column is possible, one a factor."""
    low, high = scan.span(target.name, decimal)
    fitting: dict[float, str] = {}
    for unit, factor in target.units.items():
        possible = low is None or (
            (target.low is None or low * factor >= target.low) and (target.high is None or high * factor <= target.high)
        )
        if possible:
            fitting.setdefault(factor, unit)
    return list(fitting.values())


def _unit(target: DescribedField, plan: Plan, scan: Scan, decimal: str) -> list[Question]:
    column = plan.columns[target.name]
    if (
        len(set(target.units.values())) < 2
        or named_in(column, target.units)
        or scan.span(target.name, decimal)[0] is None
    ):
        return []
    if len(fitting_units(target, scan, decimal)) == 1:
        return []
    low, high = scan.span(target.name, decimal)
    why = f"Column '{column}' does not state its unit, and its values, {low:g} to {high:g}, do not show which it is."
    options = tuple((unit, unit) for unit in target.units)
    return [Question(f"unit:{target.name}", f"Unit of {target.label}", why, options, plan.units.get(target.name, ""))]


def _unknown_words(target: DescribedField, plan: Plan, scan: Scan) -> list[Question]:
    said = plan.words.get(target.name, {})
    options = (*target.options, (MISSING, "it means missing"), ("none", "it is a mistake"))
    return [
        Question(
            f"word:{target.name}:{word}",
            f"{target.label}: '{word}'",
            f"Column '{plan.columns[target.name]}' has this in {count} row{'s' if count > 1 else ''}.",
            options,
            said.get(word, ""),
        )
        for word, count in scan.words.get(target.name, {}).items()
    ]


def readings(kind: TableKind, plan: Plan, scan: Scan, zone: str) -> dict[str, Reading]:
    """Return how each mapped target is read, once every question is answered.

    Raises
    ------
    RuleBroken
        When a question is open.
    """
    open_ones = [one for one in questions(kind, plan, scan) if not one.answer]
    if open_ones:
        first = open_ones[0]
        raise RuleBroken(
            f"{first.label}: {first.why} Choose which it is.",
            fields={one.key: [f"{one.label}: choose one answer."] for one in open_ones},
        )
    agreed = Agreed(
        date_order=plan.date_order or scan.date_order,
        serial="" if plan.serial == "none" else plan.serial,
        decimal=plan.decimal or scan.decimal,
        missing=frozenset(folded(word) for word in plan.missing),
        zone=zone,
    )
    made = {}
    for target in _mapped(kind, plan):
        words: dict[str, Any] = {}
        for word, key in plan.words.get(target.name, {}).items():
            if key != "none":
                words[folded(word)] = None if key == MISSING else target.words[folded(key)]
        made[target.name] = Reading(target, agreed, _factor(target, plan, scan, agreed.decimal or "."), words)
    return made


def _factor(target: DescribedField, plan: Plan, scan: Scan, decimal: str) -> float:
    units = target.units
    if not units:
        return 1.0
    stated = plan.units.get(target.name) or named_in(plan.columns[target.name], units)
    if stated:
        return units[stated]
    fitting = fitting_units(target, scan, decimal)
    return units[fitting[0]] if len(fitting) == 1 else 1.0
