"""Writing a centre's own follow-up schedule."""

from __future__ import annotations

from collections.abc import Sequence

from django.db import transaction

from registry.access import Right, require
from registry.clinical.schedule import Visit, faults
from registry.errors import RuleBroken
from registry.models import Centre, PlannedVisit, User
from registry.services.records import put, remove

MOST_VISITS = 12


@transaction.atomic
def set_schedule(*, by: User, centre: Centre, visits: Sequence[Visit]) -> None:
    """Replace the schedule of a centre; none at all returns it to the default one.

    Raises
    ------
    AccessDenied
        When the role does not plan the follow-up.
    RuleBroken
        When two visits fall on one day, windows are out of order, or a visit after a repeating one is given.
    """
    require(by, centre.pk, Right.PLAN_FOLLOW_UP)
    ordered = sorted(visits, key=lambda visit: visit.after_days)
    if len(ordered) > MOST_VISITS:
        raise RuleBroken(f"A schedule can have at most {MOST_VISITS} visits.")
    if found := faults(ordered):
        raise RuleBroken(" ".join(found))
    Centre.objects.select_for_update(no_key=True).get(pk=centre.pk)
    for stored in PlannedVisit.objects.filter(centre=centre):
        remove(stored, by=by, centre_id=centre.pk)
    for visit in ordered:
        values = {
            "label": visit.label,
            "after_days": visit.after_days,
            "early_days": visit.early_days,
            "late_days": visit.late_days,
            "repeats": visit.repeats,
        }
        put(PlannedVisit, by=by, centre_id=centre.pk, values=values, scope={"centre": centre})
