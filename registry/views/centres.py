"""Pages of the administrator: the centres, one centre, its settings."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET, require_http_methods

from registry.access import Right, require_somewhere
from registry.errors import Conflict, RuleBroken
from registry.forms.people import CentreForm, NewCentreForm
from registry.forms.rules import apply_rule
from registry.login.reauthentication import confirm_first
from registry.selectors.people import administered_centres, find_centre, invitations_of, members_of
from registry.services.people import change_centre, open_centre
from registry.views.request import MemberRequest


@require_GET
def centres(request: MemberRequest) -> HttpResponse:
    """List the centres the person administers; with one there is nothing to choose."""
    require_somewhere(request.user, Right.MANAGE_MEMBERS)
    return render(request, "registry/people/centres.html", {"centres": administered_centres(request.user)})


@require_http_methods(["GET", "POST"])
def new_centre(request: MemberRequest) -> HttpResponse:
    """Open a further centre."""
    require_somewhere(request.user, Right.MANAGE_MEMBERS)
    confirm_first(request)
    form = NewCentreForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            centre = open_centre(by=request.user, **form.cleaned_data)
        except RuleBroken as error:
            apply_rule(form, error)
        else:
            messages.success(request, f"{centre} has been added. You are its administrator.")
            return redirect("people:centre", centre.code)
    context = {"form": form, "title": "Add a centre", "verb": "Add the centre"}
    return render(request, "registry/people/form.html", context, status=422 if form.errors else 200)


@require_GET
def centre(request: MemberRequest, code: str) -> HttpResponse:
    """Show a centre: its settings, who works in it, who has worked in it."""
    found = find_centre(request.user, code)
    standing, ended = members_of(request.user, found)
    context = {"centre": found, "members": standing, "ended": ended, "invitations": invitations_of(request.user, found)}
    return render(request, "registry/people/centre.html", context)


@require_http_methods(["GET", "POST"])
def settings(request: MemberRequest, code: str) -> HttpResponse:
    """Change a centre's name, its second factor and its idle lock."""
    found = find_centre(request.user, code)
    confirm_first(request)
    form = CentreForm(request.POST or None, centre=found)
    if request.method == "POST" and form.is_valid():
        try:
            change_centre(by=request.user, centre=found, **form.cleaned_data)
        except (RuleBroken, Conflict) as error:
            apply_rule(form, error)
        else:
            messages.success(request, "The settings have been saved.")
            return redirect("people:centre", found.code)
    context = {"form": form, "centre": found, "title": "Settings", "verb": "Save"}
    return render(request, "registry/people/form.html", context, status=422 if form.errors else 200)
