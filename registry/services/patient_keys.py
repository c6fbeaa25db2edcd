"""Making the key of a patient who has none yet: of whom nothing was written since keys came."""

from __future__ import annotations

from uuid import UUID

from django.db import transaction

from registry.models import Patient, PatientKey
from registry.trail.sealing import made_keys


def ensure_key(owner: UUID) -> None:
    """Make sure that a patient has a key. One who is being erased gets none.

    Raises
    ------
    ObjectDoesNotExist
        When there is no such patient any more.
    """
    if PatientKey.objects.filter(pk=owner).exists():
        return
    with transaction.atomic():
        # Waits for an erasure under way, and then finds nobody.
        Patient.objects.select_for_update(no_key=True).get(pk=owner)
        made_keys([owner])
