"""The comparison says which sites a wrong signal touches, by how much, and what the signals cannot tell."""

from __future__ import annotations

import pytest
from django.test import Client
from django.urls import reverse

from procedures.metrics import BY_KEY
from procedures.models import AnalysisRun, Session
from procedures.selectors.signal_remarks import signal_remarks
from registry.models import Role
from tests.factories import make_user
from tests.procedures.comparing import KEY, recorded_session

pytestmark = pytest.mark.django_db

WORK = "stroke_work_mmhg_ml"
JUMP = {
    "code": "segment_jump",
    "message": "Segment 2 jumped.",
    "channel": "V_2",
    "epoch": None,
    "severity": "warning",
    "touches": ["site:A", "baseline"],
    "bound_percent": {KEY: 12.6, WORK: 12.6},
}
NOT_TOLD = {"code": "gain_not_told", "message": "A change of gain cannot be told.", "severity": "info"}


def _with_notes(*notes: dict[str, object]) -> Session:
    session = recorded_session({"A": 12.0}, visits=1)
    run = AnalysisRun.objects.filter(recording__session=session).first()
    assert run is not None
    AnalysisRun.objects.filter(pk=run.pk).update(quality=list(notes))
    return session


def test_remark_comes_with_its_sites_and_the_bound_of_the_metric_shown() -> None:
    session = _with_notes(JUMP, NOT_TOLD, {"code": "mains", "message": "A mains line.", "severity": "info"})
    found = signal_remarks(session, BY_KEY[KEY])
    assert [(r.message, r.touches, r.bound_percent) for r in found.wrong] == [
        ("Segment 2 jumped.", "site:A, baseline", 12.6)
    ]
    assert found.not_told == ["A change of gain cannot be told."]
    (other,) = signal_remarks(session, BY_KEY["ea_mmhg_per_ml"]).wrong
    assert other.bound_percent is None

    client = Client()
    client.force_login(make_user(Role.LAB_STAFF, session.centre))
    page = " ".join(
        client.get(reverse("procedures:comparison", args=[session.pk]) + f"?metric={WORK}").content.decode().split()
    )
    assert "Segment 2 jumped." in page
    assert "Concerns site:A, baseline." in page
    assert f"{BY_KEY[WORK].label} may be off by up to 13&nbsp;%." in page
    assert "What the signals cannot tell" in page


def test_remark_stored_before_sites_were_named_concerns_all_and_good_signals_say_nothing() -> None:
    session = _with_notes({"code": "pressure_zero", "message": "Check the zero.", "severity": "warning"})
    (remark,) = signal_remarks(session, None).wrong
    assert (remark.touches, remark.bound_percent) == ("all sites of the recording", None)
    assert not signal_remarks(_with_notes(), None)
