"""Tables of patients and of what became of them: what their columns can be for, and how rows become records."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from django import forms
from django.db import models

from registry.access import Right
from registry.clinical.quantities import unusual
from registry.described.constraints import broken, column_of
from registry.described.field import DescribedField, Sort, described_field, described_fields
from registry.described.table import Builder, Stored, TableKind, Wrong
from registry.forms.patients import DeathForm, PatientForm
from registry.importing.building import PATIENT_TARGETS, WHOSE, Patients, Unique, unusual_values
from registry.importing.codes import RunningCodes
from registry.models import Centre, Patient, PatientIdentity, User
from registry.models.encrypted import digests
from registry.services.patients import identity_of

_NAMES = ("local_identifier", "family_name", "given_name")


def patient_targets() -> tuple[DescribedField, ...]:
    """Return what a column of a table of patients can be for."""
    shown = PatientForm.base_fields
    identity = []
    for name in _NAMES:
        target = described_field(PatientIdentity, column_of(PatientIdentity, name), shown[name])
        assert target is not None  # noqa: S101 - tells the type checker
        identity.append(replace(target, longest=getattr(shown[name], "max_length", None)))
    checks = tuple(shown["birth_date"].validators)
    birth = DescribedField("birth_date", "Birth date", Sort.DAY, required=True, identifies=True, checks=checks)
    stored = described_fields(Patient, PatientForm, DeathForm)
    code = [
        replace(one, label="Patient's code", required=False, hint="if empty, the next free code is used")
        for one in stored
        if one.name == "code"
    ]
    return (*identity, birth, *code, *(one for one in stored if one.name != "code"))


class PatientRecords:
    """Builder for a model that belongs to a patient of the centre: one record a row."""

    def __init__(self, model: type[models.Model], centre: Centre, *, same: Sequence[str], by: User) -> None:
        self._model = model
        self._keeps_unusual = "confirmed_unusual" in {field.name for field in model._meta.concrete_fields}
        self._patients = Patients(centre)
        self._unique = Unique(model, models.Q(patient__centre=centre), [("patient", *same)])

    def records(self, number: int, values: dict[str, Any]) -> tuple[list[models.Model], list[Wrong]]:
        """Make the record."""
        patient, wrong = self._patients.meant(values)
        if wrong:
            return [], wrong
        if self._keeps_unusual:
            values["confirmed_unusual"] = sorted(unusual(values))
        record = self._model(patient_id=patient, **values)
        wrong = [*broken(record), *self._unique.wrong(number, record)]
        return [record], wrong


class NewPatients:
    """Builder for patients: the record and, encrypted apart from it, the identity."""

    def __init__(self, centre: Centre, by: User) -> None:
        self._centre = centre
        self._unique = Unique(Patient, models.Q(centre=centre))
        self._codes = RunningCodes(centre.pk, Patient.objects.filter(centre=centre).values_list("code", flat=True))
        stored = PatientIdentity.objects.filter(patient__centre=centre)
        self._numbers = dict.fromkeys(stored.values_list("local_identifier_digest", flat=True), 0)

    def records(self, number: int, values: dict[str, Any]) -> tuple[list[models.Model], list[Wrong]]:
        """Make the patient and the identity."""
        named = {name: values.pop(name) for name in ("family_name", "given_name", "birth_date", "local_identifier")}
        if values.get("code"):
            self._codes.given(values["code"], "P-")
        else:
            values["code"] = self._codes.next("P-")
        patient = Patient(centre_id=self._centre.pk, **values)
        identity = identity_of(patient, **named)
        if any(self._numbers.get(one) == 0 for one in digests(named["local_identifier"])):
            raise Stored
        first = self._numbers.setdefault(identity.local_identifier_digest, number)
        wrong = [*broken(patient), *self._unique.wrong(number, patient)]
        if first != number:
            wrong.append(("local_identifier", f"is also the hospital number of row {first}"))
        return [patient, identity], wrong


def table_of(
    key: str, label: str, hint: str, model: type[models.Model], form: type[forms.Form], same: tuple[str, ...]
) -> TableKind:
    """Return a kind of table with a record of a patient in each row; two with the same ``same`` fields are one."""

    def begin(centre: Centre, by: User) -> Builder:
        return PatientRecords(model, centre, same=same, by=by)

    def targets() -> tuple[DescribedField, ...]:
        return (*PATIENT_TARGETS, *described_fields(model, form))

    return TableKind(key, label, hint, (Right.WRITE_REGISTRY,), targets, begin, WHOSE, unusual_values)
