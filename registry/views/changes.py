"""Page: what changed in one record of any kind."""

from __future__ import annotations

from uuid import UUID

from django.apps import apps
from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_GET

from registry.selectors.changes import changes_of, owner_of, rows
from registry.views.request import MemberRequest

PAGE_SIZE = 20


@require_GET
def changes(request: MemberRequest, record_type: str, key: UUID) -> HttpResponse:
    """Show who changed a record when, what it was and is, and why."""
    found = changes_of(request.user, record_type, key)
    page = Paginator(found, PAGE_SIZE).get_page(request.GET.get("page"))
    context = {"page": page, "rows": rows(page.object_list, record_type, key), "kind": _words(record_type)}
    return render(request, "registry/changes.html", context | _way_back(record_type, key))


def _words(record_type: str) -> str:
    """Return what a kind of record is called; of a kind that is no more, the trail's own word."""
    try:
        return str(apps.get_model(record_type)._meta.verbose_name)
    except (LookupError, ValueError):
        return record_type


def _way_back(record_type: str, key: UUID) -> dict[str, str]:
    owner = owner_of(record_type, key)
    return {"back": reverse("registry:patient", args=[owner]), "back_words": "patient"} if owner else {}
