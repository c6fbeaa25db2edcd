"""Counted attempts, such as wrong passwords: the table of Django's database cache (``settings.CACHES``).

They are in the database and not in the queue's Redis, so that people log in while the queue is down. The columns are
the ones that the cache looks for.
"""

from __future__ import annotations

from django.db import models

from registry.models.declared import UPKEEP, declare, withheld
from registry.models.trailed import untrailed


class Attempt(models.Model):
    """What was counted under one key until it expires."""

    cache_key = models.CharField(max_length=255, primary_key=True)
    value = models.TextField()
    expires = models.DateTimeField(db_index=True)

    trail = untrailed("counted to slow guessing down, and cleared by the clock")

    handling = declare(
        withheld("cache_key value expires", UPKEEP),
    )
    trail = untrailed("counters that expire within minutes")

    def __str__(self) -> str:
        return self.cache_key
