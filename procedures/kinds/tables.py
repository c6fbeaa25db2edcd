"""The kind of table that holds sessions: one row an implant procedure of a registered patient."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import Any

from django.core.exceptions import ValidationError
from django.db import models
from django.utils import timezone

from procedures.forms.sessions import NewSessionForm, SessionDetailsForm
from procedures.models import Session
from registry.access import Right, roles_with
from registry.described.constraints import broken
from registry.described.field import DescribedField, Sort, described_fields
from registry.described.table import TableKind, Wrong
from registry.described.words import folded
from registry.importing.building import PATIENT_TARGETS, WHOSE, Patients, Unique
from registry.importing.codes import RunningCodes
from registry.models import Centre, Member, User

OPERATOR = DescribedField(
    "operator",
    "Implanting physician",
    Sort.TEXT,
    hint="user name or full name of a physician of the centre",
    longest=150,
)


def _past(moment: dt.datetime) -> None:
    if moment > timezone.now():
        raise ValidationError("The time is in the future.")


def _targets() -> tuple[DescribedField, ...]:
    found = []
    # Status and signature are acts of a person here, never taken over from a table.
    without = ("status", "signed_at", "signed_content")
    for target in described_fields(Session, NewSessionForm, SessionDetailsForm, without=without):
        if target.name == "code":
            target = replace(
                target,
                label="Session code",
                required=False,
                hint="if empty, the next free code is used",
                other_names=(),
            )
        if target.sort is Sort.MOMENT:
            label = {"started_at": "Start of the session", "ended_at": "End of the session"}.get(
                target.name, target.label
            )
            target = replace(target, label=label, checks=(*target.checks, _past))
        found.append(target)
    return (*PATIENT_TARGETS, *found, OPERATOR)


class Sessions:
    """Builder of sessions; they stay open until a physician signs each."""

    def __init__(self, centre: Centre, by: User) -> None:
        self._centre = centre
        self._patients = Patients(centre)
        self._unique = Unique(Session, models.Q(centre=centre), [("patient", "started_at")])
        self._codes = RunningCodes(centre.pk, Session.objects.filter(centre=centre).values_list("code", flat=True))
        memberships = Member.objects.filter(centre=centre, role__in=roles_with(Right.DECIDE)).select_related("user")
        # By name: who bears it, and until when each was a physician here.
        self._operators: dict[str, list[tuple[Any, dt.date | None]]] = {}
        for one in memberships:
            for name in {folded(one.user.username), folded(one.user.full_name)} - {""}:
                self._operators.setdefault(name, []).append((one.user_id, one.ended_on))

    def records(self, number: int, values: dict[str, Any]) -> tuple[list[models.Model], list[Wrong]]:
        """Make the session."""
        patient, wrong = self._patients.meant(values)
        operator, name = None, values.pop("operator", None)
        if name:
            # An old session may be of somebody who has left since, a new one may not.
            day = timezone.localdate(values["started_at"])
            known = self._operators.get(folded(name), [])
            found = {user for user, ended_on in known if ended_on is None or ended_on > day}
            if len(found) == 1:
                operator = next(iter(found))
            else:
                several = "several physicians" if found else "no physician"
                wrong = [*wrong, ("operator", f"{several} of this centre is called '{name[:40]}'")]
        if wrong:
            return [], wrong
        series = f"S-{values['started_at']:%Y}-"
        if values.get("code"):
            self._codes.given(values["code"], series)
        else:
            values["code"] = self._codes.next(series)
        record = Session(centre_id=self._centre.pk, patient_id=patient, operator_id=operator, **values)
        return [record], [*broken(record), *self._unique.wrong(number, record)]


SESSIONS = TableKind(
    "sessions",
    "Sessions",
    "One row for each implant procedure; the patients must already be registered. Sessions stay open until "
    "they are signed.",
    (Right.WRITE_SESSIONS,),
    _targets,
    Sessions,
    WHOSE,
)
