"""Pages of the administrator: a new member, one member, and what is done to a membership."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.conf import settings
from django.contrib import messages
from django.forms import Form
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST

from registry.days import in_words
from registry.errors import RuleBroken
from registry.forms.people import EndForm, NameForm, NewMemberForm, ReasonForm, RoleForm
from registry.forms.rules import apply_rule
from registry.login.reauthentication import confirm_first
from registry.models import Member, Role
from registry.selectors.people import account_of, find_centre, find_invitation, find_member
from registry.services import accounts
from registry.services.joining import invite, withdraw_invitation
from registry.services.people import change_role, end_membership, rename
from registry.views.request import MemberRequest


def _link_page(request: MemberRequest, member: Member, path: str) -> HttpResponse:
    context = {
        "member": member,
        "link": request.build_absolute_uri(path),
        "days": settings.PASSWORD_RESET_TIMEOUT // 86400,
    }
    return render(request, "registry/people/link.html", context)


@require_http_methods(["GET", "POST"])
def new_member(request: MemberRequest, code: str) -> HttpResponse:
    """Add somebody; a new account gets a link to set its first password."""
    centre = find_centre(request.user, code)
    form = NewMemberForm(request.POST or None)
    confirm_first(request)
    if request.method == "POST" and form.is_valid():
        try:
            member, is_new = invite(by=request.user, centre=centre, **form.cleaned_data)
        except RuleBroken as error:
            apply_rule(form, error)
        else:
            if member and is_new:
                return _link_page(request, member, accounts.one_time_link(by=request.user, member=member))
            name, role = form.cleaned_data["username"], Role(form.cleaned_data["role"]).label.lower()
            if member:
                messages.success(request, f"{member.user} already had an account and is now {role} here.")
            else:
                messages.success(request, f"{name} works elsewhere and has been invited. The answer is up to them.")
            return redirect("people:centre", centre.code)
    context = {"form": form, "centre": centre, "title": "Add a member", "verb": "Add the member"}
    return render(request, "registry/people/form.html", context, status=422 if form.errors else 200)


def _member_page(request: MemberRequest, found: Member, **bound: Form) -> HttpResponse:
    """Show the member with its forms, one of which may hold what was wrong."""
    forms: dict[str, Any] = {
        "name_form": NameForm(initial={"full_name": found.user.full_name}),
        "role_form": RoleForm(initial={"role": found.role}),
        "end_form": EndForm(),
        "factor_form": ReasonForm(),
    } | bound
    has_ended = bool(found.ended_on and found.ended_on <= timezone.localdate())
    context = (
        forms | account_of(request.user, found) | {"member": found, "centre": found.centre, "has_ended": has_ended}
    )
    context["form"] = next(iter(bound.values()), None)  # whose problems stand at the top
    return render(request, "registry/people/member.html", context, status=422 if bound else 200)


@require_http_methods(["GET", "POST"])
def member(request: MemberRequest, code: str, key: UUID) -> HttpResponse:
    """Show one membership and the account behind it; a post corrects the name."""
    found = find_member(request.user, find_centre(request.user, code), key)
    if request.method == "POST":
        confirm_first(request)
        form = NameForm(request.POST)
        if not form.is_valid():
            return _member_page(request, found, name_form=form)
        try:
            rename(by=request.user, member=found, full_name=form.cleaned_data["full_name"])
        except RuleBroken as error:
            apply_rule(form, error)
            return _member_page(request, found, name_form=form)
        messages.success(request, "The name has been saved.")
        return redirect("people:member", code, found.pk)
    return _member_page(request, found)


def _to_act_on(request: MemberRequest, code: str, key: UUID) -> Member:
    """Return the member, once the administrator has confirmed who they are."""
    found = find_member(request.user, find_centre(request.user, code), key)
    confirm_first(request, reverse("people:member", args=[code, key]))
    return found


@require_POST
def withdraw(request: MemberRequest, code: str, key: UUID) -> HttpResponse:
    """Take an invitation back."""
    found = find_invitation(request.user, find_centre(request.user, code), key)
    withdraw_invitation(by=request.user, invitation=found)
    messages.success(request, f"The invitation of {found.user.username} has been withdrawn.")
    return redirect("people:centre", code)


@require_POST
def role(request: MemberRequest, code: str, key: UUID) -> HttpResponse:
    """Give another role in place of this one."""
    found = _to_act_on(request, code, key)
    form = RoleForm(request.POST)
    if form.is_valid():
        try:
            changed = change_role(by=request.user, member=found, role=form.cleaned_data["role"])
        except RuleBroken as error:
            apply_rule(form, error)
        else:
            messages.success(request, f"{changed.user} is {changed.get_role_display().lower()} now.")
            return redirect("people:member", code, changed.pk)
    return _member_page(request, found, role_form=form)


@require_POST
def end(request: MemberRequest, code: str, key: UUID) -> HttpResponse:
    """End a membership on a day."""
    found = _to_act_on(request, code, key)
    form = EndForm(request.POST)
    if form.is_valid():
        try:
            ended = end_membership(by=request.user, member=found, **form.cleaned_data)
        except RuleBroken as error:
            apply_rule(form, error)
        else:
            role, day = ended.get_role_display().lower(), in_words(form.cleaned_data["ended_on"])
            messages.success(request, f"{ended.user}: no rights as {role} from {day}.")
            return redirect("people:centre", code)
    return _member_page(request, found, end_form=form)


@require_POST
def link(request: MemberRequest, code: str, key: UUID) -> HttpResponse:
    """Make a link with which the member sets a new password."""
    found = _to_act_on(request, code, key)
    return _link_page(request, found, accounts.one_time_link(by=request.user, member=found))


@require_POST
def end_sessions(request: MemberRequest, code: str, key: UUID) -> HttpResponse:
    """Log the member out everywhere."""
    found = _to_act_on(request, code, key)
    count = accounts.end_sessions(by=request.user, member=found)
    messages.success(request, f"{found.user} has been logged out of {count} session{'' if count == 1 else 's'}.")
    return redirect("people:member", code, found.pk)


@require_POST
def take_off_factor(request: MemberRequest, code: str, key: UUID) -> HttpResponse:
    """Take off a lost second factor."""
    found = _to_act_on(request, code, key)
    form = ReasonForm(request.POST)
    if not form.is_valid():
        return _member_page(request, found, factor_form=form)
    accounts.take_off_second_factor(by=request.user, member=found, reason=form.cleaned_data["reason"])
    messages.success(request, f"{found.user} now logs in with the password only, until a new second factor is set up.")
    return redirect("people:member", code, found.pk)
