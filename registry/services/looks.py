"""Recording looks at identifiers."""

from __future__ import annotations

from collections import defaultdict
from uuid import UUID

from django.utils import timezone

from registry.access import Right, centres_for
from registry.models import Look, Patient, User


def record_look(*, by: User, patients: list[UUID], page: str) -> None:
    """Record that a page showed identifiers: one row a centre, however many patients.

    Patients of centres in which the person does not see identifiers are left out: their pages work an age out of a
    birth date and show neither.
    """
    of_centre: dict[UUID, list[UUID]] = defaultdict(list)
    seen = Patient.objects.filter(pk__in=patients, centre__in=centres_for(by, Right.SEE_IDENTITY))
    for key, centre in seen.order_by("pk").values_list("pk", "centre_id"):
        of_centre[centre].append(key)
    now = timezone.now()
    Look.objects.bulk_create(
        Look(
            at=now,
            centre_id=centre,
            user_id=by.pk,
            user_name=str(by),
            page=page[:60],
            patients=" ".join(str(key) for key in keys),
            patient_count=len(keys),
        )
        for centre, keys in of_centre.items()
    )
