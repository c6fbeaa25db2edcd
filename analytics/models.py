"""Records of the analytics room."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from registry.models import Centre, Record, User
from registry.models.declared import PLACE, STAFF, UPKEEP, declare, withheld


class CohortExport(Record):
    """That a cohort was exported: by whom, of how many, and the hash that names exactly what left."""

    centre = models.ForeignKey(Centre, models.PROTECT, related_name="cohort_exports")
    made_by = models.ForeignKey(User, models.PROTECT, related_name="+")
    made_at = models.DateTimeField()
    # Empty: all years.
    year = models.PositiveSmallIntegerField(null=True, blank=True)
    patients = models.PositiveIntegerField()
    sessions = models.PositiveIntegerField()
    key_fingerprint = models.CharField(max_length=16)
    manifest_sha256 = models.CharField(max_length=64)

    handling = declare(
        withheld("centre", PLACE),
        withheld("made_by", STAFF),
        withheld("made_at year patients sessions key_fingerprint manifest_sha256", UPKEEP),
    )

    class Meta:
        ordering = ("-made_at", "-id")
        constraints = [
            models.CheckConstraint(condition=Q(patients__gte=1), name="cohortexport_has_patients"),
            models.CheckConstraint(
                condition=Q(year__isnull=True) | Q(year__gte=1900, year__lte=9999), name="cohortexport_year_range"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.patients} patients {self.made_at:%Y-%m-%d}"
