"""The lock screen: the same person goes on, or somebody else logs in."""

from __future__ import annotations

from django.http import HttpResponse, JsonResponse
from django.shortcuts import redirect, render
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_POST

from registry.errors import RuleBroken
from registry.forms.people import UnlockForm
from registry.forms.rules import apply_rule
from registry.login import idle
from registry.login.reauthentication import confirm_with_password
from registry.login.second_factor import factors_of
from registry.views.request import MemberRequest


def _after(request: MemberRequest) -> str:
    wanted = request.POST.get("next") or request.GET.get("next") or "/"
    return wanted if url_has_allowed_host_and_scheme(wanted, allowed_hosts={request.get_host()}) else "/"


def _wants_json(request: MemberRequest) -> bool:
    return "text/html" not in request.headers.get("Accept", "text/html")


@sensitive_post_parameters("password")
@require_http_methods(["GET", "POST"])
def lock(request: MemberRequest) -> HttpResponse:
    """Show the lock; a post locks the session, or with a password opens it. Scripts are answered in JSON."""
    form = UnlockForm()
    if request.method == "POST" and "password" not in request.POST:
        idle.lock(request)
    elif request.method == "POST":
        form = UnlockForm(request.POST)
        if form.is_valid():
            try:
                confirm_with_password(request, form.cleaned_data["password"])
            except RuleBroken as error:
                apply_rule(form, error)
    locked = idle.is_locked(request, request.user)
    if _wants_json(request):
        said = " ".join(str(message) for messages in form.errors.values() for message in messages)
        answer = {"locked": locked, "message": said, "me": str(request.user.pk)}
        return JsonResponse(answer, status=422 if said else 200)
    if not locked:
        return redirect(_after(request))
    context = {"form": form, "after": _after(request), "has_factors": factors_of(request.user), "locked": True}
    return render(request, "registry/account/lock.html", context, status=422 if form.errors else 200)


@require_POST
def active(request: MemberRequest) -> JsonResponse:
    """Take the word of a page that somebody is at it, and say for how long it may stay open."""
    locked = idle.is_locked(request, request.user)
    if not locked:
        idle.touch(request, request.user)
    kept = idle.kept(request)
    who = {"person": str(request.user), "me": str(request.user.pk), "opened_s": idle.opened_s(request, request.user)}
    return JsonResponse({"locked": locked, "idle_s": kept.get("idle_s")} | who)
