"""The shell of the bedside page and the worker that keeps it: the same for everybody, and without anybody's data."""

from __future__ import annotations

from uuid import UUID

from django.conf import settings
from django.contrib.auth.decorators import login_not_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render, resolve_url
from django.urls import reverse
from django.utils.http import urlencode
from django.views.decorators.http import require_safe

from procedures.bedside_shell import build, modules, worker_script
from registry.caution import CAUTION


@login_not_required
@require_safe
def bedside(request: HttpRequest, session: UUID | None = None) -> HttpResponse:
    """Show the frame that the page's scripts fill; who may see the session is asked where its data are asked for."""
    back = urlencode({"next": reverse("procedures:bedside_logged_in")})
    log_in = f"{resolve_url(settings.LOGIN_URL)}?{back}"
    context = {"build": build(), "modules": modules(), "log_in": log_in, "caution": CAUTION}
    response = render(None, "procedures/bedside.html", context)
    response["Cache-Control"] = "no-cache"
    return response


@login_not_required
@require_safe
def logged_in(request: HttpRequest) -> HttpResponse:
    """End a log-in made beside an open bedside page: tell it, and close."""
    response = render(None, "procedures/bedside_logged_in.html", {})
    response["Cache-Control"] = "no-cache"
    return response


@login_not_required
@require_safe
def worker(request: HttpRequest) -> HttpResponse:
    """Answer the service worker. It stands at the root because a worker rules only what lies below it."""
    response = HttpResponse(worker_script(build()), content_type="text/javascript")
    response["Cache-Control"] = "no-cache"
    return response
