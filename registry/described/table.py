"""A kind of table that can be taken in: its words, what its columns can be for, and how rows become records."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Protocol

from django.db import models

from registry.access import Right
from registry.described.field import DescribedField
from registry.models import Centre, User

# What is wrong in a row: the target it belongs to (empty: the row as a whole) and a sentence without a subject.
Wrong = tuple[str, str]


class Stored(Exception):
    """The row's record is in the registry already."""


class Builder(Protocol):
    """Makes the records of one file, row after row; it knows what is stored and what earlier rows made."""

    def records(self, number: int, values: dict[str, Any]) -> tuple[list[models.Model], list[Wrong]]:
        """Return a row's records in the order of writing, and what is wrong with it.

        Raises
        ------
        Stored
            When the record is already stored.
        """
        ...


@dataclass(frozen=True)
class TableKind:
    """One kind of table: its words, who may load it, what its columns can be for, and how rows become records.

    ``alternatives`` are targets of which at least one needs a column. ``unusual`` returns, for a row's values, a
    message for each that is possible but not usual.
    """

    key: str
    label: str
    hint: str
    rights: tuple[Right, ...]
    targets: Callable[[], tuple[DescribedField, ...]]
    begin: Callable[[Centre, User], Builder]
    alternatives: tuple[str, ...] = ()
    unusual: Callable[[Mapping[str, Any]], list[Wrong]] = lambda values: []
