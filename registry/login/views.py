"""Pages about one's own log-in that the library does not bring."""

from __future__ import annotations

from django.contrib.auth import logout
from django.contrib.auth.decorators import login_not_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.http import url_has_allowed_host_and_scheme, urlencode
from django.views.decorators.http import require_GET, require_POST

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


@require_GET
def account(request: MemberRequest) -> HttpResponse:
    """Show where a person changes what concerns their own log-in."""
    memberships = request.user.memberships.select_related("centre").order_by("centre__name", "role")
    return render(request, "registry/account/account.html", {"memberships": memberships})
