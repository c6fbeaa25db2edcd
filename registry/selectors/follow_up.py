"""Who is due or overdue for follow-up, as far as the viewing user may see."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from uuid import UUID

from django.db.models import Max, Q
from django.utils import timezone

from registry.access import Right, require_somewhere
from registry.clinical.schedule import DEFAULT, Open, State, Visit, standing
from registry.models import AssessmentKind, Centre, Patient, PlannedVisit, User


@dataclass(frozen=True)
class Waiting:
    """A patient who waits for a visit."""

    patient_id: UUID
    implanted_on: dt.date
    last_seen_on: dt.date | None
    visit: Open
    days_over: int


def schedules(centres: Iterable[Centre]) -> dict[UUID, tuple[Visit, ...]]:
    """Return the schedule of each centre: its own, or the default one."""
    wanted = [centre.pk for centre in centres]
    own: dict[UUID, list[Visit]] = defaultdict(list)
    for row in PlannedVisit.objects.filter(centre__in=wanted):
        own[row.centre_id].append(Visit(row.label, row.after_days, row.early_days, row.late_days, row.repeats))
    return {key: tuple(own[key]) if key in own else DEFAULT for key in wanted}


_IMPLANTED = Max("sessions__started_at", filter=Q(sessions__outcome="lv_lead_implanted"))
_SEEN = Max("assessments__assessed_on", filter=Q(assessments__kind=AssessmentKind.FOLLOW_UP))


def own_schedule(centre: Centre) -> list[PlannedVisit]:
    """Return the visits that a centre planned itself; none where the default schedule applies."""
    return list(PlannedVisit.objects.filter(centre=centre))


def work_queue(user: User, *, centre: Centre | None = None, today: dt.date | None = None) -> list[Waiting]:
    """Return the living patients with an implanted LV lead whose visit is due or overdue, longest overdue first.

    The schedule counts from the latest session that implanted an LV lead. Narrow: one row of days for each patient.

    Raises
    ------
    AccessDenied
        When the user sees no patients anywhere.
    """
    today = today or timezone.localdate()
    centres = require_somewhere(user, Right.SEE_IDENTITY)
    if centre is not None:
        centres = [one for one in centres if one == centre]
    plans = schedules(centres)
    followed = Patient.objects.filter(
        centre__in=centres, died_on__isnull=True, follow_up_ended_on__isnull=True
    ).order_by()
    rows = followed.annotate(implanted=_IMPLANTED, seen=_SEEN).filter(implanted__isnull=False)
    waiting = []
    for key, centre_id, implanted, seen in rows.values_list("id", "centre_id", "implanted", "seen"):
        day = timezone.localdate(implanted)
        visit = standing(plans[centre_id], day, seen, today)
        if visit is not None and visit.state in (State.DUE, State.OVERDUE):
            waiting.append(Waiting(key, day, seen, visit, visit.days_over(today)))
    return sorted(waiting, key=lambda one: (one.visit.last_on, one.patient_id))


def people_of(waiting: Sequence[Waiting]) -> dict[UUID, Patient]:
    """Return the patients of one page of the queue, with identity and centre."""
    keys = [one.patient_id for one in waiting]
    return Patient.objects.select_related("identity", "centre").in_bulk(keys)


def standing_of(patient: Patient, today: dt.date) -> Open | None:
    """Return the visit one patient is at; None without an implanted LV lead, after death or the end of follow-up."""
    if patient.died_on or patient.follow_up_ended_on:
        return None
    row = Patient.objects.filter(pk=patient.pk).aggregate(implanted=_IMPLANTED, seen=_SEEN)
    if row["implanted"] is None:
        return None
    plan = schedules([patient.centre])[patient.centre_id]
    return standing(plan, timezone.localdate(row["implanted"]), row["seen"], today)
