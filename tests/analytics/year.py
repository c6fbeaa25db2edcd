"""An invented year of one centre, small enough to add up by hand.

    session        ended            then
    a  15 January  lead implanted   haematoma day 1 (related); LVESV 200 -> 150 at 6 months: -25 %, responder
    b  20 January  lead implanted   haematoma day 30 (possible) and day 31 (too late); LVESV 200 -> 180: -10 %
    c  10 March    not implanted    haematoma day 2 (not related), infection day 3 (relation not known)
    d  12 March    lead implanted   no LVESV before the implant
    e  1 November  lead implanted   pneumothorax day 0, 30 days not over on the day of the audit; follow-up open
    f  2 November  not recorded yet
    g  revision of b's patient on 25 February: the haematoma of day 30 is older, that of day 31 too

The audit is made on 20 November.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from procedures.models import Session
from registry.models import Centre
from tests import factories as make

YEAR = 2023
TODAY = dt.date(2023, 11, 20)


@dataclass
class Year:
    """The centre and its sessions by letter."""

    centre: Centre
    sessions: dict[str, Session]


def make_year() -> Year:
    """Write the year through the services."""
    centre = make.make_centre(name="The audited centre")
    sessions: dict[str, Session] = {}

    def implant(letter: str, month: int, day: int, patient=None, **values) -> Session:
        started = dt.datetime(YEAR, month, day, 9, 30, tzinfo=dt.UTC)
        filled = {"started_at": started, "outcome": "lv_lead_implanted"} | values
        sessions[letter] = make.make_session(patient or make.make_patient(centre), **filled)
        return sessions[letter]

    def event(session: Session, days: int, kind: str = "haematoma", relation: str = "related") -> None:
        day = session.started_at.date() + dt.timedelta(days=days)
        make.make_adverse_event(session.patient, kind=kind, occurred_on=day, relation=relation)

    def volumes(session: Session, before: float | None, after: float | None) -> None:
        day = session.started_at.date()
        if before:
            make.make_assessment(session.patient, assessed_on=day - dt.timedelta(days=5), lvesv_ml=before)
        if after:
            late = day + dt.timedelta(days=180)
            make.make_assessment(session.patient, kind="follow_up", assessed_on=late, lvesv_ml=after)

    a = implant("a", 1, 15, fluoroscopy_min=10, dose_area_product_gy_cm2=20)
    event(a, 1)
    volumes(a, 200, 150)
    b = implant("b", 1, 20, fluoroscopy_min=20, dose_area_product_gy_cm2=30)
    event(b, 30, relation="possible")
    event(b, 31)
    volumes(b, 200, 180)
    implant("g", 2, 25, patient=b.patient, procedure="revision", outcome="abandoned")
    c = implant("c", 3, 10, outcome="lv_lead_failed", fluoroscopy_min=40)
    event(c, 2, relation="unrelated")
    event(c, 3, kind="infection", relation="unknown")
    d = implant("d", 3, 12, procedure="upgrade")
    volumes(d, None, 150)
    e = implant("e", 11, 1)
    event(e, 0, kind="pneumothorax")
    volumes(e, 200, None)
    implant("f", 11, 2, outcome="unknown")
    tributary = make.make_tributary(a)
    make.make_site(tributary)
    make.make_site(tributary)
    make.make_site(tributary, reached=False, not_reached_reason="stenosis")
    return Year(centre, sessions)
