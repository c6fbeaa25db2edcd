"""The page that shows an administrator how the service is doing."""

from __future__ import annotations

from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from registry.selectors.service import service
from registry.views.request import MemberRequest


@require_GET
def state(request: MemberRequest) -> HttpResponse:
    """Show parts, queues, failures, room and the last verified backup."""
    return render(request, "registry/people/service.html", service(request.user))
