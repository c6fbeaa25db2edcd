"""Pages about one's own log-in that the library does not bring."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.contrib.auth import logout
from django.contrib.auth.decorators import login_not_required
from django.contrib.auth.views import PasswordResetConfirmView
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse_lazy
from django.utils.http import url_has_allowed_host_and_scheme, urlencode
from django.views.decorators.http import require_GET, require_POST

from registry.access import in_force
from registry.login.forms import FirstPasswordForm
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

    def form_valid(self, form: Any) -> HttpResponse:
        """Say what comes next."""
        messages.success(self.request, "The password is set. Log in with it.")
        return super().form_valid(form)


@require_GET
def account(request: MemberRequest) -> HttpResponse:
    """Show where a person changes what concerns their own log-in."""
    memberships = request.user.memberships.filter(in_force()).select_related("centre").order_by("centre__name", "role")
    return render(request, "registry/account/account.html", {"memberships": memberships})
