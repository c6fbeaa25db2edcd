"""Writing patients: registration, what is known of them as persons, death."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection
from typing import Any
from uuid import UUID

from django.db import transaction
from django.utils import timezone

from registry.access import Right, require
from registry.errors import PerhapsKnown, RuleBroken
from registry.identity.matching import Person
from registry.identity.merged import refuse_merged, standing_code
from registry.models import Centre, DeathCause, Patient, PatientIdentity, User, new_key
from registry.models.encrypted import digest, digests
from registry.numbers.outside import impossible
from registry.selectors.duplicates import look_alikes
from registry.services.codes import drawn_code, held_counter, note_codes
from registry.services.records import change, put, refuse_nul
from registry.trail import record as trail


def identity_of(
    patient: Patient, *, family_name: str, given_name: str, birth_date: dt.date, local_identifier: str
) -> PatientIdentity:
    """Return the row of identifiers of a new patient, not yet written; registration and import make it the same way."""
    return PatientIdentity(
        patient=patient,
        family_name=family_name,
        given_name=given_name,
        birth_date=birth_date.isoformat(),
        local_identifier=local_identifier,
        local_identifier_digest=digest(local_identifier),
    )


def register_patient(
    *,
    by: User,
    centre: Centre,
    family_name: str,
    given_name: str,
    birth_date: dt.date,
    local_identifier: str,
    sex: str,
    aetiology: str,
    key: UUID | None = None,
    code: str | None = None,
    others: Collection[str] | None = None,
) -> Patient:
    """Register a person under a new code, or one taken over from elsewhere.

    The identifiers go encrypted into their own table. ``others`` are the keys of the patients who look like the person
    and were said to be somebody else; without it nobody is asked, as where nobody could answer.

    Raises
    ------
    AccessDenied
        When the role does not allow it.
    RuleBroken
        When the same hospital number is registered already, or a value is refused.
    PerhapsKnown
        When somebody on record looks like the person and is not among ``others``.
    """
    require(by, centre.pk, Right.WRITE_REGISTRY)
    if birth_date > timezone.localdate():
        raise RuleBroken("The birth date is in the future.", fields={"birth_date": ["Enter a date in the past."]})
    if message := impossible(birth_date):
        raise RuleBroken(message, fields={"birth_date": [message]})
    known = key is not None and Patient.objects.filter(pk=key).exists()
    if others is not None and not known:
        # Before the lock: comparing a large centre takes a second or two, and the centre's writers would wait.
        refuse_known_number(centre, local_identifier, key)
        person = Person(key or new_key(), family_name, given_name, birth_date.isoformat(), local_identifier)
        alike = look_alikes(by, centre, person)
        if any(str(one.patient.pk) not in others for one in alike):
            raise PerhapsKnown(
                "A registered patient is similar to this person. Nothing has been saved yet.", alike=alike
            )
    return _register(
        by,
        centre,
        key,
        code,
        {"sex": sex, "aetiology": aetiology},
        {
            "family_name": family_name,
            "given_name": given_name,
            "birth_date": birth_date,
            "local_identifier": local_identifier,
        },
    )


def refuse_known_number(centre: Centre, number: str, key: UUID | None) -> None:
    """Refuse a hospital number that another patient of the centre has."""
    found = PatientIdentity.objects.filter(
        local_identifier_digest__in=digests(number), patient__centre=centre
    ).select_related("patient")
    if twin := (found.exclude(patient_id=key) if key else found).first():
        message = f"This hospital number is already registered, as {standing_code(twin.patient)}."
        raise RuleBroken(message, fields={"local_identifier": [message]})


@transaction.atomic
def _register(
    by: User, centre: Centre, key: UUID | None, code: str | None, values: dict[str, Any], identifiers: dict[str, Any]
) -> Patient:
    Centre.objects.select_for_update(no_key=True).get(pk=centre.pk)
    refuse_known_number(centre, identifiers["local_identifier"], key)
    if code:
        note_codes(centre.pk, Patient, [code])
    else:
        counter = held_counter(centre.pk, "P-")
        stored = Patient.objects.filter(pk=key).first() if key else None
        code = stored.code if stored else drawn_code(counter, Patient)
    values = values | {"code": code}
    patient, created = put(Patient, by=by, centre_id=centre.pk, values=values, scope={"centre": centre}, key=key)
    if created:
        identity = identity_of(patient, **identifiers)
        refuse_nul(identity)
        identity.save(force_insert=True)
        trail.write(centre_id=centre.pk, by=by, action="created", record=identity)
    else:
        _refuse_another(patient, identifiers)
    return patient


def _refuse_another(patient: Patient, identifiers: dict[str, Any]) -> None:
    """Refuse a registration sent again with other identifiers: a correction in it would be lost without a word."""
    stored = patient.identity.__dict__  # past the attributes that note a look: nobody is shown
    typed = identifiers | {"birth_date": identifiers["birth_date"].isoformat()}
    if any(stored[name] != value for name, value in typed.items()):
        raise RuleBroken(
            f"This form has already registered {patient.code}, with a different name, birth date or hospital "
            f"number. Nothing was saved. Check {patient.code} before you register another patient."
        )


def describe_patient(*, by: User, patient: Patient, version: int | None = None, **values: Any) -> Patient:
    """Change what is recorded of the patient apart from the identifiers: sex, cause, end of follow-up.

    Raises
    ------
    AccessDenied, RuleBroken, Conflict
        As for every record.
    """
    require(by, patient.centre_id, Right.WRITE_REGISTRY)
    day = values.get("follow_up_ended_on")
    if day and day > timezone.localdate():
        raise RuleBroken("The date is in the future.", fields={"follow_up_ended_on": ["Enter a date in the past."]})
    with transaction.atomic():
        refuse_merged(patient)
        locked = Patient.objects.select_for_update(no_key=True).get(pk=patient.pk)
        return change(locked, by=by, centre_id=patient.centre_id, values=values, version=version)


@transaction.atomic
def record_death(*, by: User, patient: Patient, died_on: dt.date, death_cause: str = DeathCause.UNKNOWN) -> Patient:
    """Record the day and cause of death.

    Raises
    ------
    AccessDenied
        When the role does not allow it.
    RuleBroken
        When the day lies in the future.
    """
    if died_on > timezone.localdate():
        raise RuleBroken("The date of death is in the future.", fields={"died_on": ["Enter a date in the past."]})
    require(by, patient.centre_id, Right.WRITE_REGISTRY)
    refuse_merged(patient)
    locked = Patient.objects.select_for_update(no_key=True).get(pk=patient.pk)
    values = {"died_on": died_on, "death_cause": death_cause}
    return change(locked, by=by, centre_id=patient.centre_id, values=values, version=None)
