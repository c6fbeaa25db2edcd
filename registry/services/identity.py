"""Correcting who a code stands for."""

from __future__ import annotations

import datetime as dt

from django.db import models, transaction
from django.utils import timezone

from registry.access import Right, require
from registry.errors import RuleBroken
from registry.identity.merged import refuse_merged
from registry.models import Centre, Patient, PatientIdentity, User
from registry.models.encrypted import digest
from registry.numbers.outside import impossible
from registry.services.patients import refuse_known_number
from registry.services.records import refuse_nul
from registry.trail import record as trail

_NAMES = ("family_name", "given_name", "birth_date", "local_identifier")
# An encrypted value never stands in the trail; which of them changed does.
_BEFORE = "(encrypted, before)"


class CorrectionReason(models.TextChoices):
    """Why identifiers are corrected. A choice, no text: a text could hold a name, and the trail keeps it for good."""

    TYPING = "typing", "Typing error at registration"
    NAME = "name", "The person's name has changed"
    NUMBER = "number", "The hospital assigned a new number"
    MIXED_UP = "mixed_up", "Registered with another person's data"


def fingerprint(identity: PatientIdentity) -> str:
    """Return a keyed hash of the identifiers as they are: with it a form says what it was filled in from."""
    return digest("\n".join(str(identity.__dict__[name]) for name in _NAMES))


@transaction.atomic
def correct_identity(
    *,
    by: User,
    patient: Patient,
    seen: str,
    reason: str,
    family_name: str,
    given_name: str,
    birth_date: dt.date,
    local_identifier: str,
) -> PatientIdentity:
    """Correct name, birth date or hospital number of a patient. The same again changes nothing.

    Parameters
    ----------
    seen
        The :func:`fingerprint` of what the corrector saw.
    reason
        A :class:`CorrectionReason`.

    Raises
    ------
    AccessDenied
        When the role does not allow it.
    RuleBroken
        When somebody else corrected it meanwhile, the number is another patient's, or a value is refused.
    """
    require(by, patient.centre_id, Right.WRITE_REGISTRY)
    require(by, patient.centre_id, Right.SEE_IDENTITY)
    refuse_merged(patient)
    if birth_date > timezone.localdate():
        raise RuleBroken("The birth date is in the future.", fields={"birth_date": ["Enter a date in the past."]})
    if message := impossible(birth_date):
        raise RuleBroken(message, fields={"birth_date": [message]})
    centre = Centre.objects.select_for_update(no_key=True).get(pk=patient.centre_id)
    identity = PatientIdentity.objects.select_for_update(no_key=True).get(patient=patient)
    values = {
        "family_name": family_name,
        "given_name": given_name,
        "birth_date": birth_date.isoformat(),
        "local_identifier": local_identifier,
    }
    changed = [name for name, value in values.items() if identity.__dict__[name] != value]
    if not changed:
        return identity
    if fingerprint(identity) != seen:
        raise RuleBroken("Somebody else has corrected these identifiers since you opened them. Check them again.")
    refuse_known_number(centre, local_identifier, patient.pk)
    old = trail.state_of(identity) | dict.fromkeys(changed, _BEFORE)
    for name, value in values.items():
        setattr(identity, name, value)
    identity.local_identifier_digest = digest(local_identifier)
    refuse_nul(identity)
    identity.save(force_update=True)
    trail.write(
        centre_id=centre.pk,
        by=by,
        action="changed",
        record=identity,
        old=old,
        reason=CorrectionReason(reason).label,
    )
    return identity
