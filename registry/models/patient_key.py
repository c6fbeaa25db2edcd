"""The key under which the change trail seals what it holds of one patient."""

from __future__ import annotations

from django.db import models

from registry.models.declared import LINK, declare, identifies, withheld
from registry.models.encrypted import EncryptedTextField
from registry.models.trailed import untrailed


class PatientKey(models.Model):
    """A patient's key, itself encrypted with the service's identity keys. Erasing a patient destroys it.

    No foreign key: destroying it is an act of its own.
    """

    owner = models.UUIDField(primary_key=True)
    wrapped = EncryptedTextField()

    trail = untrailed("opens the trail; the erasure that destroys it has a link")

    handling = declare(withheld("owner", LINK), identifies("wrapped", "opens what the trail holds of a patient"))

    def __str__(self) -> str:
        return f"key of {self.owner}"
