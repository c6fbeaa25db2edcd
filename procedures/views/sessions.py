"""The list of sessions and the page of one."""

from __future__ import annotations

from uuid import UUID

from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from procedures.forms.base import likely_moment
from procedures.forms.sessions import LogEntryForm, SessionFilter
from procedures.models import Session, Status
from procedures.selectors.ecgs import state_lines
from procedures.selectors.overview import epoch_columns, epoch_rows, tributary_groups
from procedures.selectors.sessions import narrowed, rights_in, session_detail, session_list, timeline
from registry.access import Right, centres_for, rights_anywhere
from registry.errors import AccessDenied
from registry.views.request import MemberRequest

PAGE_SIZE = 50


@require_safe
def sessions(request: MemberRequest) -> HttpResponse:
    """List the sessions of the user's centres, latest first."""
    if Right.SEE_SESSIONS not in rights_anywhere(request.user):
        raise AccessDenied("Your role cannot see sessions.")
    form = SessionFilter(request.GET, user=request.user)
    found = session_list(request.user)
    filtered = False
    if form.is_valid():
        wanted = form.cleaned_data
        filtered = any(wanted.values())
        found = narrowed(found, text=wanted["q"], status=wanted["status"], year=wanted["year"])
    page = Paginator(found, PAGE_SIZE).get_page(request.GET.get("page"))
    context = {
        "filter": form,
        "page": page,
        "filtered": filtered,
        "many_centres": centres_for(request.user, Right.SEE_SESSIONS).count() > 1,
    }
    return render(request, "procedures/sessions.html", context)


@require_safe
def session(request: MemberRequest, session: UUID) -> HttpResponse:
    """Show a session: its state, timeline, sites, epochs and recordings."""
    shown = session_detail(request.user).get(pk=session)
    rights = rights_in(request.user, shown)
    columns = epoch_columns(shown)
    lines = state_lines(shown)
    context = {
        "session": shown,
        "rights": rights,
        "identity": _identity(shown) if rights["see_identity"] else None,
        "timeline": timeline(shown),
        "tributaries": tributary_groups(shown, {line.qrs.site.pk: line.qrs for line in lines if line.qrs.site}),
        "lines": lines,
        "epoch_columns": columns,
        "epoch_rows": epoch_rows(shown, columns),
        "decision": max(shown.decisions.all(), key=lambda d: (d.decided_at, d.pk), default=None),
    }
    if rights["write_sessions"] and shown.status == Status.OPEN:
        context["log_form"] = LogEntryForm(session=shown, initial={"occurred_at": likely_moment(shown)})
    return render(request, "procedures/session.html", context)


def _identity(session: Session) -> object | None:
    return getattr(session.patient, "identity", None)
