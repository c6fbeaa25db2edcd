"""Who and whom a command names: a user and a patient of a centre."""

from __future__ import annotations

from typing import Any

from django.core.management import CommandError

from registry.models import Centre, Patient, User


def named_user_and_patient(options: dict[str, Any]) -> tuple[User, Patient]:
    """Return the user of ``--by`` and the patient of the code in ``--centre``; an unknown one ends in a sentence."""
    centre = Centre.objects.filter(code=options["centre"]).first()
    by = User.objects.filter(username=options["by"], is_active=True).first()
    if centre is None:
        raise CommandError(f"There is no centre '{options['centre']}'.", returncode=2)
    if by is None:
        raise CommandError(f"There is no active user '{options['by']}'.", returncode=2)
    patient = Patient.objects.filter(centre=centre, code=options["patient"]).first()
    if patient is None:
        raise CommandError(f"There is no patient '{options['patient']}' in this centre.", returncode=2)
    return by, patient
