"""The last running number given out in each series of codes of a centre."""

from __future__ import annotations

from django.db import models

from registry.models.base import new_key
from registry.models.declared import PLACE, UPKEEP, declare, withheld
from registry.models.people import Centre
from registry.models.trailed import untrailed


class CodeCounter(models.Model):
    """One row per centre and series, such as ``P-`` or ``S-2026-``. Its lock is what makes two codes differ."""

    id = models.UUIDField(primary_key=True, default=new_key, editable=False)
    centre = models.ForeignKey(Centre, models.PROTECT, related_name="code_counters")
    series = models.CharField(max_length=20)
    last_number = models.PositiveIntegerField(default=0)

    trail = untrailed("the last number given out; the codes themselves have links")

    handling = declare(
        withheld("centre", PLACE),
        withheld("id series last_number", UPKEEP),
    )

    class Meta:
        constraints = [models.UniqueConstraint(fields=("centre", "series"), name="code_counter_once_per_series")]

    def __str__(self) -> str:
        return f"{self.series} {self.last_number}"
