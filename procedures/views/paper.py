"""The paper sheet of a session, for the hour in which the server is down; printed before, kept in the room."""

from __future__ import annotations

from uuid import UUID

from django.http import HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_safe

from procedures.metrics import BY_KEY
from procedures.models import Session
from procedures.selectors.finding import find_session, identity_shown
from registry.access import Right, require_somewhere
from registry.models import PatientIdentity
from registry.views.request import MemberRequest

ROWS = {"sites": 9, "epochs": 14, "events": 12}
SITE_COLUMNS = (
    *("Time", "Vein", "Position and segment", "Electrodes", "Threshold (V)", "at (ms)", "R wave (mV)", "Impedance (Ω)"),
    *("Phrenic (V)", "QRS (ms)", "Not reached, why"),
)
METRICS_ASKED = ("dpdt_max_mmhg_per_s", "stroke_work_mmhg_ml")


@require_safe
def blank(request: MemberRequest) -> HttpResponse:
    """Show a sheet for any patient."""
    require_somewhere(request.user, Right.SEE_SESSIONS)
    return _sheet(request, None, None)


@require_safe
def sheet(request: MemberRequest, session: UUID) -> HttpResponse:
    """Show the sheet of an open session; names stand on it for those who may see them."""
    found = find_session(request.user, session)
    return _sheet(request, found, identity_shown(request.user, found))


def _sheet(request: MemberRequest, session: Session | None, identity: PatientIdentity | None) -> HttpResponse:
    metrics = [f"{BY_KEY[key].label} ({BY_KEY[key].unit})" for key in METRICS_ASKED]
    context = {
        "session": session,
        "identity": identity,
        "site_columns": SITE_COLUMNS,
        "epoch_columns": ("From", "To", "Baseline, or site", "Chambers, AV (ms), VV (ms), rate", *metrics, "Beats"),
        "rows": {name: range(count) for name, count in ROWS.items()},
        "printed_at": timezone.now(),
    }
    return render(request, "procedures/paper.html", context)
