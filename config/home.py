"""Where a person starts."""

from __future__ import annotations

from typing import cast

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect

from registry.access import Right, rights_anywhere
from registry.models import User


def home(request: HttpRequest) -> HttpResponse:
    """Go to the first page the role may see; a role that sees none is told so by the list of sessions."""
    rights = rights_anywhere(cast(User, request.user))
    if Right.SEE_SESSIONS in rights:
        return redirect("procedures:sessions")
    if Right.SEE_AUDIT in rights:
        return redirect("analytics:audit")
    return redirect("people:centres" if Right.MANAGE_MEMBERS in rights else "procedures:sessions")
