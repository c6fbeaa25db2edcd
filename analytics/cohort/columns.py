"""Columns of the exported files. A column knows its own line of the data dictionary, so the two cannot part."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from django.db import models

from analytics.cohort.selection import Cohort
from registry.models.declared import Way, handling_of

Row = Mapping[str, Any]

_TYPES = {
    models.FloatField: "number",
    models.PositiveSmallIntegerField: "integer",
    models.PositiveIntegerField: "integer",
    models.BooleanField: "boolean",
    models.JSONField: "json",
}
# Units are the ends of field names; longer ends first. UCUM notation.
_UNITS = {
    "_pg_per_ml": "pg/mL",
    "_umol_per_l": "umol/L",
    "_per_min": "/min",
    "_gy_cm2": "Gy.cm2",
    "_percent": "%",
    "_degrees": "deg",
    "_mmhg": "mm[Hg]",
    "_cm": "cm",
    "_kg": "kg",
    "_ohm": "Ohm",
    "_min": "min",
    "_ml": "mL",
    "_ms": "ms",
    "_mv": "mV",
    "_s": "s",
    "_v": "V",
    "_m": "m",
}


def unit_of(name: str) -> str:
    """Return the unit that a column's name ends with, or nothing."""
    return next((unit for end, unit in _UNITS.items() if name.endswith(end)), "")


@dataclass(frozen=True)
class Column:
    """One column: how its cell is made from a row of ``needs``, and its line of the data dictionary."""

    name: str
    label: str
    type: str
    source: str
    needs: tuple[str, ...]
    make: Callable[[Row, Cohort], Any]
    unit: str = ""
    allowed: str = ""


def _may(model: type[models.Model], name: str, *ways: Way) -> None:
    """Refuse a column that its field's declaration does not allow."""
    if (stated := handling_of(model).get(name)) is None or stated.way not in ways:
        raise ValueError(f"{model._meta.label_lower}.{name} is not declared for an export {ways[0].value}.")


def plain(model: type[models.Model], name: str, *, path: str = "", column: str = "") -> Column:
    """Return a structured field as it is; ``path`` leads to it from the table's own model."""
    _may(model, name, Way.AS_IS)
    field = model._meta.get_field(name)
    assert isinstance(field, models.Field)  # noqa: S101 - tells the type checker
    choices = [str(value) for value, _ in field.flatchoices]
    kind = next((word for cls, word in _TYPES.items() if isinstance(field, cls)), "code" if choices else "string")
    column, path = column or name, path or name
    return Column(
        name=column,
        label=str(field.verbose_name).capitalize() if field.verbose_name[:1].islower() else str(field.verbose_name),
        type=kind,
        source=f"{model._meta.label_lower}.{name}",
        needs=(path,),
        make=lambda row, _: row[path],
        unit=unit_of(column),
        allowed="|".join(choices),
    )


def pseudonym(kind: str, label: str, path: str, source: str) -> Column:
    """Return the pseudonym of a record; empty where there is no such record."""

    def make(row: Row, cohort: Cohort) -> str | None:
        return None if row[path] is None else cohort.deidentifier.pseudonym(kind, row[path])

    return Column(kind, label, "pseudonym", source, (path,), make)


def shifted_day(model: type[models.Model], name: str, label: str, patient: str = "patient_id") -> Column:
    """Return a day under the patient's shift."""
    _may(model, name, Way.SHIFTED)

    def make(row: Row, cohort: Cohort) -> dt.date | None:
        return None if row[name] is None else cohort.deidentifier.shifted(row[patient], row[name])

    return Column(name, label, "date (shifted)", f"{model._meta.label_lower}.{name}", (name, patient), make)


def since_start(model: type[models.Model], name: str, column: str, label: str, session: str = "session_id") -> Column:
    """Return a moment as seconds since its session started: no clock time leaves."""
    _may(model, name, Way.SINCE_START)

    def make(row: Row, cohort: Cohort) -> float | None:
        if row[name] is None:
            return None
        return float((row[name] - cohort.sessions[row[session]].started_at).total_seconds())

    source = f"{model._meta.label_lower}.{name}"
    return Column(column, label, "number", source, (name, session), make, unit=unit_of(column))
