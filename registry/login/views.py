"""Pages about one's own log-in that the library does not bring."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from allauth.socialaccount.models import SocialAccount
from allauth.usersessions.adapter import get_adapter
from allauth.usersessions.models import UserSession
from django.contrib import messages
from django.contrib.auth import logout
from django.contrib.auth.decorators import login_not_required
from django.contrib.auth.views import PasswordResetConfirmView
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse, reverse_lazy
from django.utils.http import url_has_allowed_host_and_scheme, urlencode
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from registry.access import in_force
from registry.login import single_sign_on
from registry.login.forms import FirstPasswordForm
from registry.login.reauthentication import confirm_first
from registry.models import Answer, Invitation
from registry.services.joining import answer_invitation
from registry.services.links import Links
from registry.views.request import MemberRequest


@require_POST
@login_not_required
def log_out(request: HttpRequest) -> HttpResponse:
    """End this session, also one that has got no further than the second factor; ``next`` waits behind the log-in."""
    logout(request)
    after = request.POST.get("next", "")
    if after and url_has_allowed_host_and_scheme(after, allowed_hosts={request.get_host()}):
        return redirect(f"/log-in/?{urlencode({'next': after})}")
    return redirect("login")


class Join(PasswordResetConfirmView):
    """Set the password with a one-time link; every session there was ends with the old password."""

    form_class = FirstPasswordForm
    template_name = "registry/account/join.html"
    success_url = reverse_lazy("login")
    token_generator = Links()

    def form_valid(self, form: Any) -> HttpResponse:
        """Say what comes next."""
        messages.success(self.request, "Your password has been set. Log in with it.")
        return super().form_valid(form)


@require_GET
def account(request: MemberRequest) -> HttpResponse:
    """Show where a person changes what concerns their own log-in."""
    memberships = request.user.memberships.filter(in_force()).select_related("centre").order_by("centre__name", "role")
    invitations = request.user.invitations.filter(answer=Answer.OPEN).select_related("centre").order_by("pk")
    connected = single_sign_on.configured() and SocialAccount.objects.filter(user=request.user).exists()
    context = {"memberships": memberships, "invitations": invitations, "connected": connected}
    return render(request, "registry/account/account.html", context)


@require_POST
def invitation(request: MemberRequest, pk: UUID) -> HttpResponse:
    """Accept or decline to work in a further centre."""
    found = Invitation.objects.select_related("centre").get(pk=pk, user=request.user)  # another's is not found
    accept = "accept" in request.POST
    if accept:
        confirm_first(request, reverse("account"))
    answer_invitation(by=request.user, invitation=found, accept=accept)
    said = f"You now work in {found.centre} too." if accept else f"You have declined to work in {found.centre}."
    messages.success(request, said)
    return redirect("account")


@require_http_methods(["GET", "POST"])
def sessions(request: MemberRequest) -> HttpResponse:
    """List where the person is logged in; a post ends every session but this one."""
    if request.method == "POST":
        others = UserSession.objects.filter(user=request.user).exclude(session_key=request.session.session_key)
        get_adapter().end_sessions(others)
        messages.success(request, "You have been logged out everywhere else.")
        return redirect("account_sessions")
    found = UserSession.objects.purge_and_list(request.user)
    found.sort(key=lambda one: (not one.is_current(), -one.last_seen_at.timestamp()))
    return render(
        request, "registry/account/sessions.html", {"sessions": [(one, device(one.user_agent)) for one in found]}
    )


@require_POST
def end_session(request: MemberRequest, pk: int) -> HttpResponse:
    """End one session of one's own."""
    session = UserSession.objects.get(pk=pk, user=request.user)  # somebody else's is not found
    get_adapter().end_sessions([session])
    if session.is_current():
        logout(request)
    return redirect("account_sessions")


def device(user_agent: str) -> str:
    """Return what kind of device a browser says it runs on."""
    for sign, kind in (("iPad", "Tablet"), ("Tablet", "Tablet"), ("Mobi", "Phone"), ("Android", "Tablet")):
        if sign in user_agent:
            return kind
    return "Computer" if "Mozilla" in user_agent else "Unknown device"
