"""The request as views behind the log-in see it."""

from __future__ import annotations

from django.http import HttpRequest
from django_htmx.middleware import HtmxDetails

from registry.models import User


class MemberRequest(HttpRequest):
    """A request of somebody who is logged in; the log-in middleware lets nobody else through to a view."""

    user: User
    htmx: HtmxDetails
