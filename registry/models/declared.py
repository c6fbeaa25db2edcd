"""What may leave with an export, declared beside the fields themselves: ``handling = declare(...)`` in every model.

A field that is not declared fails a test. Export, change trail and tests read the declarations from here.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from django.db import models


class Way(Enum):
    """How a field may leave the registry with a de-identified export."""

    AS_IS = "as it is"
    SHIFTED = "as a day under the patient's shift"
    SINCE_START = "as seconds since its session started"
    PSEUDONYM = "as a keyed hash"
    DERIVED = "only as a derived value"
    WITHHELD = "not exported"


@dataclass(frozen=True)
class Handling:
    """A field's declaration: the way it may leave, why if it is held back, and whether it names a person."""

    way: Way
    reason: str = ""
    identifies: bool = False


FREE_TEXT = "free text may name a person"
STAFF = "names or points to a member of staff"
PLACE = "location smaller than a state"
UPKEEP = "record administration"
LINK = "used for selection or for links only, which become pseudonyms"
RECORDING = "the recording and its beats are not part of this export"

Fields = dict[str, Handling]


def _each(names: str, handling: Handling) -> Fields:
    return dict.fromkeys(names.split(), handling)


def as_is(names: str) -> Fields:
    """Structured values that tell nothing about who it is: numbers, codes, yes or no."""
    return _each(names, Handling(Way.AS_IS))


def shifted(names: str) -> Fields:
    """Days, moved by the patient's secret number of days."""
    return _each(names, Handling(Way.SHIFTED))


def since_start(names: str) -> Fields:
    """Moments within a session, told as seconds since its start."""
    return _each(names, Handling(Way.SINCE_START))


def pseudonym(names: str) -> Fields:
    """Keys of records and links to them."""
    return _each(names, Handling(Way.PSEUDONYM))


def derived(names: str, how: str, *, identifies: bool = False) -> Fields:
    """Values of which only something worked out may leave, such as an age in place of a birth date."""
    return _each(names, Handling(Way.DERIVED, how, identifies))


def withheld(names: str, why: str) -> Fields:
    """Values that stay, with the reason."""
    return _each(names, Handling(Way.WITHHELD, why))


def identifies(names: str, why: str = "names a person") -> Fields:
    """Values that say who it is; they stay, and the change trail never holds an encrypted one in the clear."""
    return _each(names, Handling(Way.WITHHELD, why, identifies=True))


def declare(*groups: Fields) -> Fields:
    """Join the groups of one model.

    Raises
    ------
    ValueError
        When a field is declared twice.
    """
    joined: Fields = {}
    for group in groups:
        if twice := joined.keys() & group.keys():
            raise ValueError(f"Declared twice: {', '.join(sorted(twice))}.")
        joined |= group
    return joined


def handling_of(model: type[models.Model]) -> Fields:
    """Return a model's declarations with those it inherits; its own stand over inherited ones."""
    joined: Fields = {}
    for base in reversed(model.__mro__):
        joined |= base.__dict__.get("handling", {})
    return joined


def undeclared(model: type[models.Model]) -> list[str]:
    """Return what is wrong with a model's declarations: fields without one, and declarations without a field."""
    label, stored = model._meta.label_lower, {field.name for field in model._meta.concrete_fields}
    stored |= {field.name for field in model._meta.many_to_many}
    declared = handling_of(model).keys()
    return [f"{label}.{name} is not declared" for name in sorted(stored - declared)] + [
        f"{label} declares '{name}', which is not a field" for name in sorted(declared - stored)
    ]
