"""One way for every entry form: show it, let a service write, and say what the service refused."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render

from procedures.described import SessionKind
from procedures.forms.base import EntryForm
from procedures.models import Session
from procedures.selectors.finding import find_session
from registry.access import Right, require
from registry.errors import Conflict, RuleBroken
from registry.models import User
from registry.views.errors import status_of
from registry.views.request import MemberRequest


def session_to_write(user: User, key: UUID, right: Right = Right.WRITE_SESSIONS) -> Session:
    """Return a session the user sees; refuse when the role does not allow the writing.

    Raises
    ------
    ObjectDoesNotExist
        When it does not exist or belongs to another centre.
    AccessDenied
        When the user sees it but may not do this.
    """
    session = find_session(user, key)
    require(user, session.centre_id, right)
    return session


def form_for(kind: SessionKind, request: MemberRequest, **options: Any) -> Any:
    """Return the form on which a kind of record is entered, filled with what was posted."""
    return kind.forms[-1](request.POST or None, **options)


def write_record(kind: SessionKind, form: EntryForm, *, by: User, values: Mapping[str, Any]) -> Any:
    """Write what a form holds by the service of its kind, under the form's key, version and reason."""
    guard = form.guard
    given = {**values, "amendment_reason": guard["reason"]}
    return kind.write(by=by, key=guard["key"], version=guard["version"], values=given)


def answer(
    request: MemberRequest,
    form: EntryForm,
    *,
    write: Callable[[Any], Any],
    template: str,
    done: str | Callable[[Any], str],
    said: str,
    context: dict[str, Any] | None = None,
) -> HttpResponse:
    """Show an entry form, or write what was posted and go on.

    No transaction is open around ``write``: a service reads files and computes before it takes its lock. A ``write`` of
    several acts opens one itself, so that all or none is written.

    A refusal shows the form again as it was filled in: 422 for what was entered, 409 for a conflict or a signature.
    """
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            try:
                written = write(form)
            except (RuleBroken, Conflict) as error:
                form.take(error)
                status = status_of(error)
            else:
                messages.success(request, said)
                return redirect(done(written) if callable(done) else done)
    return render(request, template, {"form": form, "session": form.session} | (context or {}), status=status)
