"""Pages about one's second factor: who has one shows it before anything about it is seen or changed."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Any

from allauth.mfa.models import Authenticator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, resolve_url
from django.utils.http import urlencode

from registry.login.reauthentication import note_confirmation, recently_confirmed
from registry.login.second_factor import factors_of
from registry.models import User


def after_own_factor(view: Callable[..., HttpResponse]) -> Callable[..., HttpResponse]:
    """Ask for a code or passkey before the view; for the password where there is no second factor yet."""

    @wraps(view)
    def guarded(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        user = request.user
        if not isinstance(user, User):
            return view(request, *args, **kwargs)  # the library's own guard sends to the log-in
        has_one = factors_of(user) > 0
        if not recently_confirmed(request, factor=has_one):
            way = _way(user) if has_one else "account_reauthenticate"
            return redirect(f"{resolve_url(way)}?{urlencode({'next': request.get_full_path()})}")
        answer = view(request, *args, **kwargs)
        if not has_one and factors_of(user):
            note_confirmation(request, user, factor=True)  # its first code or touch was just given
        return answer

    return guarded


def _way(user: User) -> str:
    typed = Authenticator.objects.filter(user=user).exclude(type=Authenticator.Type.WEBAUTHN)
    return "mfa_reauthenticate" if typed.exists() else "mfa_reauthenticate_webauthn"
