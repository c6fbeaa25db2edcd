"""The records that can be looked through for what is missing, and that queries can be about. Each room adds its own."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Any, cast

from django import forms
from django.db.models import Model, QuerySet

from registry.fields.described import DescribedField, described_fields
from registry.models import Centre, Patient


@dataclass(frozen=True)
class Subject:
    """One kind of record: its words, its model, the path from it to the patient, and the page it is seen on.

    ``split`` names a field whose values are looked at apart, such as assessments before and after the implant.
    ``usual`` holds, by field, the range outside of which a value is looked at twice. For fields in ``may_be_empty``
    an empty one is an answer: nobody died, nothing was taken out.
    """

    key: str
    label: str
    model: type[Model]
    patient: str
    address: Callable[[Any], str]
    shown_in: tuple[type[forms.Form], ...] = ()
    split: str = ""
    usual: dict[str, tuple[float, float]] | None = None
    may_be_empty: frozenset[str] = frozenset()

    @cached_property
    def targets(self) -> tuple[DescribedField, ...]:
        """The fields that can be missing, worded as in the forms; identifiers are not among them."""
        return tuple(one for one in described_fields(self.model, *self.shown_in) if not one.identifies)

    def of_centre(self, centre: Centre) -> QuerySet[Any]:
        """Return the records of a centre."""
        path = f"{self.patient}__centre" if self.patient else "centre"
        return self.model._default_manager.filter(**{path: centre})

    def of_patient(self, patient: Patient) -> QuerySet[Any]:
        """Return the records of a patient."""
        return self.model._default_manager.filter(**{self.patient or "pk": patient.pk})

    def patient_of(self, record: Any) -> Patient:
        """Return whose record it is."""
        for step in filter(None, self.patient.split("__")):
            record = getattr(record, step)
        return cast(Patient, record)

    def field_label(self, name: str) -> str:
        """Return a field's words; the empty name is the record as a whole."""
        return next((one.label for one in self.targets if one.name == name), name or "the record as a whole")


SUBJECTS: dict[str, Subject] = {}


def register(subject: Subject) -> None:
    """Add a kind of record; called from a room's ``AppConfig.ready``."""
    SUBJECTS[subject.key] = subject
