"""How an exported table is declared and read."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

from django.db import models

from analytics.cohort.columns import Column
from analytics.cohort.selection import Cohort

Cells = list[Any]


@dataclass(frozen=True)
class Table:
    """One file: its columns, and the model and paths it is read from.

    ``patient`` and ``session`` are the paths to the owning patient and session; a table without ``session`` holds all
    of a patient's rows. ``read`` replaces the reading where a table is not simply a model's rows.
    """

    name: str
    about: str
    columns: tuple[Column, ...]
    model: type[models.Model] | None = None
    patient: str = "patient_id"
    session: str = ""
    order: tuple[str, ...] = ("id",)
    read: Callable[[Cohort], Iterator[Cells]] | None = None

    @property
    def file(self) -> str:
        """The file's name."""
        return f"{self.name}.csv"

    def rows(self, cohort: Cohort) -> Iterator[Cells]:
        """Yield the rows, patients in the order of their pseudonyms, some hundred patients at a time."""
        if self.read is not None:
            yield from self.read(cohort)
            return
        assert self.model is not None  # noqa: S101 - a table without a model has its own reading
        paths = {path for column in self.columns for path in column.needs} | {self.patient, self.session} - {""}
        for chunk in cohort.chunks():
            found = self.model._default_manager.filter(**{f"{self.patient}__in": chunk})
            rows = list(found.order_by(*self.order).values(*paths))
            if self.session:
                rows = [row for row in rows if row[self.session] in cohort.sessions]
            rows.sort(key=lambda row: cohort.order[row[self.patient]])  # stable: the order within a patient stays
            for row in rows:
                yield [column.make(row, cohort) for column in self.columns]
