"""A kind of record described once: what API, pages, imports, queries and quality are built from.

The descriptions themselves stand in ``kinds/`` of each room, above its services and forms, which they name. Here is
what one holds, and where code of every layer finds them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, cast
from uuid import UUID

from django.db.models import Model, QuerySet
from django.forms import Form

from registry.described.field import DescribedField, described_fields
from registry.described.table import TableKind
from registry.models import Centre, Patient, Record, User


@dataclass(frozen=True)
class Api:
    """A kind of record in the API: its address, its words in the document, and what stands beside the model's fields.

    ``answered`` are fields that are read but not written. ``filters`` are names of filters with their lookups.
    ``answered_as`` and ``taken_as`` are serializer fields for what the model's own would say wrongly.
    """

    address: str
    words: str
    reads: str
    takes: str = ""
    answered: tuple[str, ...] = ()
    filters: Mapping[str, str] = field(default_factory=dict)
    answered_as: Mapping[str, Any] = field(default_factory=dict)
    taken_as: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Page:
    """A page on which a record of a patient is entered and corrected: its address, and what it calls the record.

    ``options`` gives the form what it needs to know of the patient; ``notes`` is a template shown below the form.
    """

    address: str
    name: str
    options: Callable[[Patient], dict[str, Any]] = lambda patient: {}
    notes: str = ""


@dataclass(frozen=True, eq=False)
class RecordKind:
    """One kind of record.

    ``centre`` and ``patient`` are the lookups from a record to its centre and its patient, the latter empty for the
    patient. ``fields`` are what a person writes of it, ``put`` is the service that writes it, and ``forms`` are those
    of its pages, which word its fields. ``confirms``: unusual values are taken once confirmed. ``amends``: changing it
    may need the reason of an amendment. ``joined`` relations are read with it, ``unread`` columns are not, and
    ``annotated`` values are added.

    Queries can be about a kind with an ``address``, the page a record is seen on, and its completeness is shown. Then
    ``split`` names a field whose values are counted apart, such as assessments before and after the implant; outside
    its ``usual`` range a value is read twice; an empty field in ``may_be_empty`` is an answer: nobody died, nothing
    was taken out.
    """

    model: type[Record]
    label: str
    centre: str
    patient: str = ""
    fields: tuple[str, ...] = ()
    put: Callable[..., Record] | None = None
    forms: tuple[type[Form], ...] = ()
    confirms: bool = False
    amends: bool = False
    joined: tuple[str, ...] = ()
    unread: tuple[str, ...] = ()
    annotated: Mapping[str, Any] = field(default_factory=dict)
    api: Api | None = None
    page: Page | None = None
    table: TableKind | None = None
    address: Callable[[Any], str] | None = None
    split: str = ""
    usual: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    may_be_empty: frozenset[str] = frozenset()

    @property
    def key(self) -> str:
        """The name of the kind, as the change trail has it."""
        return self.model._meta.label_lower

    @cached_property
    def worded_fields(self) -> tuple[DescribedField, ...]:
        """The fields that can be missing, worded as in the forms; identifiers are not among them."""
        return tuple(one for one in described_fields(self.model, *self.forms) if not one.identifies)

    def field_label(self, name: str) -> str:
        """Return a field's words; the empty name is the record as a whole."""
        return next((one.label for one in self.worded_fields if one.name == name), name or "the whole record")

    def records(self) -> QuerySet[Any]:
        """Return all records; narrow them to a centre, a patient or a session before showing any."""
        found = self.model._default_manager.defer(*self.unread).annotate(**self.annotated)
        return found.select_related(*self.joined) if self.joined else found

    def of_centre(self, centre: Centre) -> QuerySet[Any]:
        """Return the records of a centre."""
        return self.records().filter(**{self.centre: centre})

    def of_patient(self, patient: Patient) -> QuerySet[Any]:
        """Return the records of a patient."""
        return self.records().filter(**{self.patient or "pk": patient.pk})

    def seen_at(self, record: Model) -> str:
        """Return the address of the page a record is seen on; empty for a kind without one."""
        return self.address(record) if self.address else ""

    def patient_of(self, record: Model) -> Patient:
        """Return whose record it is."""
        for step in filter(None, self.patient.split("__")):
            record = getattr(record, step)
        return cast(Patient, record)

    def write(self, *, by: User, key: UUID, version: int | None, values: Mapping[str, Any]) -> Record:
        """Write a record by its service, under the key its writer made.

        Raises
        ------
        RuleBroken, Conflict, AccessDenied, ObjectDoesNotExist
            As the service does.
        """
        assert self.put is not None, f"A {self.label} is not written by itself."  # noqa: S101 - a fault of the program
        given = dict(values)
        # A record that has a reason of its own takes that of the amendment by its whole name.
        if "amendment_reason" in given and "reason" not in self.fields:
            given["reason"] = given.pop("amendment_reason")
        return self.put(by=by, key=key, version=version, **given)


KINDS: dict[str, RecordKind] = {}


def register(*kinds: RecordKind) -> None:
    """Add the kinds of a room; called from its ``AppConfig.ready``."""
    KINDS.update({kind.key: kind for kind in kinds})


def kind_of(model: type[Model]) -> RecordKind:
    """Return the description of a model's records."""
    return KINDS[model._meta.label_lower]


def queryable() -> dict[str, RecordKind]:
    """Return the kinds that queries can be about and whose completeness is shown, by their names."""
    return {key: kind for key, kind in KINDS.items() if kind.address is not None}


def tables() -> dict[str, TableKind]:
    """Return the kinds of table that can be taken in, by their names."""
    return {kind.table.key: kind.table for kind in KINDS.values() if kind.table is not None}
