"""Signs of life: when a part of the service, or a task done by hand, was last known to be well."""

from __future__ import annotations

from django.db import models

from registry.models.declared import UPKEEP, declare, withheld
from registry.models.trailed import untrailed


class Sign(models.Model):
    """One row a part, such as the clock or the workers of a queue; the time is the database's own."""

    name = models.CharField(primary_key=True, max_length=40)
    seen_at = models.DateTimeField()

    trail = untrailed("signs of life, not records")

    handling = declare(withheld("name seen_at", UPKEEP))
    trail = untrailed("written over every few seconds, and about no record")

    def __str__(self) -> str:
        return f"{self.name} {self.seen_at:%Y-%m-%d %H:%M:%S}"
