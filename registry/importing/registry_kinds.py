"""The kinds of table about patients and what became of them."""

from __future__ import annotations

from dataclasses import replace

from django import forms
from django.db import models

from registry.access import Right
from registry.fields.constraints import column_of
from registry.fields.described import DescribedField, Sort, described_field, described_fields
from registry.forms.assessments import AssessmentForm
from registry.forms.checks import DeviceCheckForm
from registry.forms.devices import DeviceForm
from registry.forms.patients import DeathForm, PatientForm
from registry.forms.records import AdverseEventForm, ConsentForm
from registry.importing.kinds import (
    PATIENT_TARGETS,
    WHOSE,
    Builder,
    Kind,
    NewPatients,
    PatientRecords,
    register,
    unusual_values,
)
from registry.models import (
    AdverseEvent,
    Assessment,
    Centre,
    Consent,
    Device,
    DeviceCheck,
    Patient,
    PatientIdentity,
    User,
)

_NAMES = ("local_identifier", "family_name", "given_name")


def _patient_targets() -> tuple[DescribedField, ...]:
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


register(
    Kind(
        "patients",
        "Patients",
        "One row for each patient: hospital number, name, birth date.",
        (Right.WRITE_REGISTRY,),
        _patient_targets,
        NewPatients,
    )
)


def _of_patients(
    key: str, label: str, hint: str, model: type[models.Model], form: type[forms.Form], same: tuple[str, ...]
) -> None:
    def begin(centre: Centre, by: User) -> Builder:
        return PatientRecords(model, centre, same=same, by=by)

    def targets() -> tuple[DescribedField, ...]:
        return (*PATIENT_TARGETS, *described_fields(model, form))

    register(Kind(key, label, hint, (Right.WRITE_REGISTRY,), targets, begin, WHOSE, unusual_values))


_of_patients(
    "assessments",
    "Assessments and follow-ups",
    "One row for each visit, before or after the implant; the patients must already be registered.",
    Assessment,
    AssessmentForm,
    ("kind", "assessed_on"),
)
_of_patients(
    "adverse-events",
    "Adverse events",
    "One row for each event of a registered patient.",
    AdverseEvent,
    AdverseEventForm,
    ("kind", "occurred_on"),
)
_of_patients(
    "consents",
    "Consents",
    "One row for each consent of a registered patient.",
    Consent,
    ConsentForm,
    ("scope", "given_on"),
)
_of_patients(
    "devices",
    "Devices and leads",
    "One row for each generator or lead of a registered patient.",
    Device,
    DeviceForm,
    ("kind", "chamber", "model_name", "implanted_on"),
)
_of_patients(
    "device-checks",
    "Device checks",
    "One row for each device check of a registered patient.",
    DeviceCheck,
    DeviceCheckForm,
    ("checked_on",),
)
