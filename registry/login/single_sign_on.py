"""Logging in at the hospital's own provider (OpenID Connect). Who somebody is, it says; what they may do stands here.

An account is known by provider and subject, never by a name or an e-mail address that could change hands. The first
time it is connected by its person, logged in and confirmed; or, where the operator says that the provider's user names
are those of this service (``TRIBUTARY_OIDC_USERNAME_CLAIM``), by that claim to an account that has no connection yet.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import Any

import requests
from allauth.core.exceptions import ImmediateHttpResponse
from allauth.socialaccount.adapter import DefaultSocialAccountAdapter, get_adapter
from allauth.socialaccount.models import SocialAccount, SocialLogin
from allauth.socialaccount.providers.openid_connect import views as provider
from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import login_not_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.views.decorators.http import require_POST

from registry.access import Right, centres_of, rights_anywhere
from registry.login import access_log
from registry.login.reauthentication import confirm_first
from registry.models import User

CONNECT = "connect"
_FAILED = "Logging in at the hospital did not work. Try again, or log in here."
_log = logging.getLogger(__name__)


def configured() -> bool:
    """Say whether there is a provider."""
    return bool(settings.OIDC_URL)


def only_there(user: User) -> bool:
    """Say whether a centre of the user has closed local log-in. An administrator keeps it, to open it again."""
    if not configured() or Right.MANAGE_MEMBERS in rights_anywhere(user):
        return False
    return centres_of(user).filter(local_log_in_closed=True).exists()


def _stopped(request: HttpRequest, sentence: str, event: str, to: str = "login") -> ImmediateHttpResponse:
    access_log.note(event, request, level=logging.WARNING)
    messages.error(request, sentence)
    return ImmediateHttpResponse(redirect(to))


class SocialAdapter(DefaultSocialAccountAdapter):
    """Nobody signs up through the provider: an administrator makes accounts, as always."""

    def is_open_for_signup(self, request: HttpRequest, sociallogin: SocialLogin) -> bool:
        """Say no."""
        return False

    def pre_social_login(self, request: HttpRequest, sociallogin: SocialLogin) -> None:
        """Connect somebody met for the first time, or send them back with what to do."""
        if sociallogin.state.get("process") == CONNECT:
            if not request.user.is_authenticated:
                raise _stopped(request, "Log in first, then connect.", "connecting without a log-in")
            if sociallogin.is_existing and sociallogin.user != request.user:
                sentence = "This hospital log-in belongs to another account."
                raise _stopped(request, sentence, "connecting what is another's", "account")
            if not sociallogin.is_existing and SocialAccount.objects.filter(user=request.user).exists():
                raise _stopped(request, "Your account is connected already.", "connecting a second time", "account")
            return
        if sociallogin.is_existing:
            return
        user = _of_that_name(sociallogin)
        if user is None:
            raise _stopped(
                request,
                "No account here is connected with this hospital log-in. Log in with your password and connect it on "
                "your account's page, or ask your administrator.",
                "log-in at the provider, but no account is connected",
            )
        sociallogin.connect(request, user)
        access_log.note("hospital log-in connected by user name", request, account=user.pk)

    def on_authentication_error(
        self, request: HttpRequest, provider: Any, error: Any = None, exception: Any = None, extra_context: Any = None
    ) -> None:
        """Say that it did not work; the provider's answer is shown to no one."""
        raise _stopped(
            request, "Logging in at the hospital did not work. Try again, or log in here.", "provider failed"
        )

    def get_connect_redirect_url(self, request: HttpRequest, socialaccount: SocialAccount) -> str:
        """Return to the account's page."""
        return reverse("account")


def _of_that_name(sociallogin: SocialLogin) -> User | None:
    claim = settings.OIDC_USERNAME_CLAIM
    data = sociallogin.account.extra_data
    said = (data.get("id_token") or {}).get(claim) or (data.get("userinfo") or {}).get(claim) if claim else None
    if not isinstance(said, str) or not said:
        return None
    return User.objects.filter(username__iexact=said, is_active=True, socialaccount__isnull=True).first()


def _there(request: HttpRequest, go: Callable[[], HttpResponse]) -> HttpResponse:
    try:
        return go()
    except (requests.RequestException, ValueError, KeyError) as error:  # no answer, or one that is no description
        _log.warning("The provider of the hospital's log-in does not answer: %s", error)
        return _stopped(request, _FAILED, "provider failed").response


@require_POST
@login_not_required
def log_in(request: HttpRequest, provider_id: str) -> HttpResponse:
    """Go to the provider; by a post only, so that no foreign page sends anybody there."""
    if "process" in request.GET or "process" in request.POST:
        raise Http404  # connecting has an address of its own, which asks who one is
    return _there(request, lambda: provider.login(request, provider_id))


@require_POST
def connect(request: HttpRequest) -> HttpResponse:
    """Connect one's own account, after showing who one is."""
    if not configured():
        raise Http404
    confirm_first(request, "/account/")
    found = get_adapter().get_provider(request, settings.OIDC_ID)
    return _there(request, lambda: found.redirect(request, process=CONNECT, next_url="/account/"))


@require_POST
def disconnect(request: HttpRequest) -> HttpResponse:
    """Take the connection of one's own account off, after showing who one is."""
    confirm_first(request, "/account/")
    assert isinstance(request.user, User)  # noqa: S101 - tells the type checker
    SocialAccount.objects.filter(user=request.user).delete()
    access_log.note("hospital log-in disconnected", request, account=request.user.pk)
    messages.success(request, "Your account is no longer connected with the hospital's log-in.")
    return redirect("account")
