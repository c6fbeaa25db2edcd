"""Whether this process can do its work: for load balancers and container health checks, not for people."""

from __future__ import annotations

from django.contrib.auth.decorators import login_not_required
from django.db import DatabaseError, connection
from django.http import HttpRequest, JsonResponse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe


@require_safe
@never_cache
@login_not_required
def healthz(request: HttpRequest) -> JsonResponse:
    """Answer 200 when the database answers, else 503. Says nothing about what is inside."""
    try:
        with connection.cursor() as cursor:
            cursor.execute("SELECT 1")
    except DatabaseError:
        return JsonResponse({"status": "the database does not respond"}, status=503)
    return JsonResponse({"status": "ok"})
