"""For machines that watch: is the process alive, can it be given requests, how is each component, and the metrics.

``/healthz`` says that the process answers, and asks nothing else. ``/readyz`` answers 503 when no request could be
served; with ``?all=1`` also when a component is down without which people can still work (queue, workers, clock, disk).
"""

from __future__ import annotations

import ipaddress

from django.conf import settings
from django.contrib.auth.decorators import login_not_required
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.utils.crypto import constant_time_compare
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from config.watching import metrics as measured
from registry.login.access_log import origin
from registry.selectors.service import components


@require_safe
@never_cache
@login_not_required
def healthz(request: HttpRequest) -> JsonResponse:
    """Answer 200: this process answers. Nothing else is asked, so nothing else can take it down."""
    return JsonResponse({"status": "ok"})


@require_safe
@never_cache
@login_not_required
def readyz(request: HttpRequest) -> JsonResponse:
    """Say in a word whether requests can be served; each component is named only to those who may see metrics."""
    found = components()
    down = [component for component in found if not component.well]
    word = "not ready" if any(component.needed for component in down) else "in part" if down else "ready"
    answer: dict[str, object] = {"status": word}
    if _may_watch(request):
        answer["components"] = {component.name: {"well": component.well, "says": component.says} for component in found}
    refused = word == "not ready" or (down and "all" in request.GET)
    return JsonResponse(answer, status=503 if refused else 200)


@require_safe
@never_cache
@login_not_required
def metrics(request: HttpRequest) -> HttpResponse:
    """Return the metrics to callers with the token or from an allowed address; others get 'not found'."""
    if not _may_watch(request):
        raise Http404
    return HttpResponse(measured.exposition(), content_type=measured.CONTENT_TYPE)


def _may_watch(request: HttpRequest) -> bool:
    given = request.headers.get("Authorization", "")
    if settings.WATCH_TOKEN and constant_time_compare(given, f"Bearer {settings.WATCH_TOKEN}"):
        return True
    try:
        caller = ipaddress.ip_address(origin(request))
    except ValueError:
        return False
    return any(caller in network for network in settings.WATCH_FROM)
