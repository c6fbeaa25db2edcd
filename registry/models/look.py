"""Who looked at whose identifiers."""

from __future__ import annotations

from django.db import models

from registry.models.base import new_key
from registry.models.declared import PLACE, STAFF, UPKEEP, declare, withheld
from registry.models.trailed import untrailed


class Look(models.Model):
    """One page that showed identifiers of patients of one centre. Append-only by triggers, without foreign keys."""

    id = models.UUIDField(primary_key=True, default=new_key, editable=False)
    at = models.DateTimeField()
    centre_id = models.UUIDField()
    user_id = models.UUIDField()
    user_name = models.CharField(max_length=150)
    page = models.CharField(max_length=60)
    # Keys of the patients, with a blank between; a list of fifty is one row.
    patients = models.TextField()
    patient_count = models.PositiveIntegerField()

    trail = untrailed("a log of its own, append-only as the trail is")

    handling = declare(
        withheld("id at page patients patient_count", UPKEEP),
        withheld("centre_id", PLACE),
        withheld("user_id user_name", STAFF),
    )

    class Meta:
        indexes = [models.Index(fields=("centre_id", "-at"))]

    def __str__(self) -> str:
        return f"{self.user_name} {self.at:%Y-%m-%d %H:%M} {self.page}"
