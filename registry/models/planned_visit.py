"""A centre's own follow-up schedule; a centre without rows keeps to the default one."""

from __future__ import annotations

from django.db import models

from registry.models.base import Record
from registry.models.constraints import within
from registry.models.declared import UPKEEP, declare, withheld
from registry.models.people import Centre


class PlannedVisit(Record):
    """One planned visit after an implant, in days, with the margin that still counts as this visit."""

    centre = models.ForeignKey(Centre, models.CASCADE, related_name="planned_visits")
    label = models.CharField(max_length=40)
    after_days = models.PositiveSmallIntegerField("days after the implant")
    early_days = models.PositiveSmallIntegerField("days early")
    late_days = models.PositiveSmallIntegerField("days late")
    repeats = models.BooleanField(default=False)

    recorded_twice = (("after_days", "Another visit has the same number of days. Change one of the two."),)

    handling = declare(withheld("centre label after_days early_days late_days repeats", UPKEEP))

    class Meta:
        ordering = ("after_days", "id")
        constraints = [
            models.UniqueConstraint(fields=("centre", "after_days"), name="plannedvisit_once_per_day"),
            within("plannedvisit", "after_days", 0, 3660),
            within("plannedvisit", "early_days", 0, 366),
            within("plannedvisit", "late_days", 0, 366),
            models.CheckConstraint(condition=~models.Q(label=""), name="plannedvisit_has_label"),
        ]

    def __str__(self) -> str:
        return self.label
