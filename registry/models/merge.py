"""One person under two codes: what was judged about it."""

from __future__ import annotations

from django.db import models

from registry.models.base import Record
from registry.models.constraints import both_or_neither
from registry.models.declared import FREE_TEXT, LINK, PLACE, STAFF, UPKEEP, declare, withheld
from registry.models.patient import Patient
from registry.models.people import Centre, User


class PatientMerge(Record):
    """That one patient's records were moved to another, and which, so that it can be undone exactly."""

    centre = models.ForeignKey(Centre, models.PROTECT, related_name="+")
    kept = models.ForeignKey(Patient, models.PROTECT, related_name="merges")
    merged = models.ForeignKey(Patient, models.PROTECT, related_name="merged_by")
    merged_by = models.ForeignKey(User, models.PROTECT, related_name="+")
    merged_at = models.DateTimeField()
    reason = models.CharField(max_length=200)
    # Label of the model: keys of the rows that were moved.
    moved = models.JSONField(default=dict, blank=True)
    # Key of a consent of the kept patient: its day of withdrawal before and after, taken from the merged code's twin.
    withdrawn = models.JSONField(default=dict, blank=True)
    undone_by = models.ForeignKey(User, models.PROTECT, null=True, blank=True, related_name="+")
    undone_at = models.DateTimeField(null=True, blank=True)
    undone_reason = models.CharField(max_length=200, blank=True)

    handling = declare(
        withheld("centre", PLACE),
        withheld("kept merged moved withdrawn", LINK),
        withheld("merged_by undone_by", STAFF),
        withheld("merged_at undone_at", UPKEEP),
        withheld("reason undone_reason", FREE_TEXT),
    )

    class Meta:
        ordering = ("-merged_at", "-id")
        constraints = [
            models.CheckConstraint(condition=~models.Q(kept=models.F("merged")), name="merge_of_two"),
            models.UniqueConstraint(
                fields=("merged",), condition=models.Q(undone_at__isnull=True), name="merge_stands_once"
            ),
            both_or_neither("merge", "undone_by", "undone_at"),
        ]

    def __str__(self) -> str:
        return f"{self.merged_id} into {self.kept_id}"


class PairApart(Record):
    """That two patients who look alike are two people; they are not asked about again."""

    centre = models.ForeignKey(Centre, models.PROTECT, related_name="+")
    first = models.ForeignKey(Patient, models.PROTECT, related_name="+")
    second = models.ForeignKey(Patient, models.PROTECT, related_name="+")
    judged_by = models.ForeignKey(User, models.PROTECT, related_name="+")
    reason = models.CharField(max_length=200)

    handling = declare(
        withheld("centre", PLACE),
        withheld("first second", LINK),
        withheld("judged_by", STAFF),
        withheld("reason", FREE_TEXT),
    )

    class Meta:
        verbose_name_plural = "pairs kept apart"
        constraints = [models.UniqueConstraint(fields=("first", "second"), name="pair_apart_once")]

    def __str__(self) -> str:
        return f"{self.first_id} is not {self.second_id}"
