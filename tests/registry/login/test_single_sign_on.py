"""Logging in at a real provider of OpenID Connect, run on this machine: who it is comes from there, roles stay here."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest
import requests
from allauth.socialaccount.models import SocialAccount
from django.test import Client
from django.urls import reverse

from registry.login.single_sign_on import only_there
from registry.models import Centre, Role, User
from tests import factories as make

pytestmark = pytest.mark.django_db


@pytest.fixture(scope="module")
def provider() -> Iterator[str]:
    """Run a provider and return its address."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # its own libraries deprecate each other
        from oidc_provider_mock import run_server_in_thread

        with run_server_in_thread() as server:
            yield f"http://127.0.0.1:{server.server_port}"


@pytest.fixture(autouse=True)
def configured(settings: Any, provider: str) -> Iterator[None]:
    """Let the service know the provider."""
    settings.OIDC_URL, settings.OIDC_NAME = provider, "the hospital"
    app = {"provider_id": settings.OIDC_ID, "name": "the hospital", "client_id": "tributary", "secret": "s3cret"}
    settings.SOCIALACCOUNT_PROVIDERS = {
        "openid_connect": {"OAUTH_PKCE_ENABLED": True, "APPS": [app | {"settings": {"server_url": provider}}]}
    }
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield


@pytest.fixture
def centre() -> Centre:
    return make.make_centre()


@pytest.fixture
def physician(centre: Centre) -> User:
    return make.make_user(Role.PHYSICIAN, centre, password=make.PASSWORD)


@contextmanager
def claims(provider: str, subject: str, **said: Any) -> Iterator[None]:
    """Let the provider say this of somebody."""
    requests.put(f"{provider}/users/{subject}", json={"userinfo": said, **said}, timeout=10).raise_for_status()
    yield


def sent_to_the_provider(client: Client, address: str) -> str:
    answer = client.post(address)
    assert answer.status_code == 302
    return str(answer["Location"])


def at_the_provider(there: str, subject: str) -> str:
    """Log in at the provider as a browser would; return where it sends the browser back."""
    answer = requests.post(there, data={"sub": subject}, allow_redirects=False, timeout=10)
    assert answer.status_code == 302, answer.text
    back = urlsplit(answer.headers["Location"])
    assert back.path == reverse("openid_connect_callback", args=["hospital"])
    return f"{back.path}?{back.query}"


def log_in(client: Client, subject: str) -> Any:
    there = sent_to_the_provider(client, reverse("openid_connect_login", args=["hospital"]))
    return client.get(at_the_provider(there, subject), follow=True)


def connect(user: User, subject: str) -> Client:
    """Connect an account from its own page, confirming by password first."""
    client = Client()
    client.force_login(user)
    client.post(reverse("account_reauthenticate"), {"password": make.PASSWORD})
    client.get(at_the_provider(sent_to_the_provider(client, reverse("sso_connect")), subject))
    return client


def who(client: Client) -> str | None:
    return client.session.get("_auth_user_id")


def test_request_carries_state_nonce_or_proof_key(client: Client) -> None:
    there = sent_to_the_provider(client, reverse("openid_connect_login", args=["hospital"]))
    asked = parse_qs(urlsplit(there).query)
    assert {"state", "code_challenge"} <= set(asked)
    assert asked["code_challenge_method"] == ["S256"]
    assert asked["response_type"] == ["code"]


def test_connected_person_logs_in_and_keeps_the_role_of_here(client: Client, physician: User) -> None:
    connect(physician, "subject-1")
    assert SocialAccount.objects.get(user=physician).uid == "subject-1"
    page = log_in(client, "subject-1")
    assert who(client) == str(physician.pk)
    assert page.redirect_chain[-1][0] == reverse("procedures:sessions")
    assert client.get(reverse("people:centres")).status_code == 403


def test_stranger_gets_no_account(client: Client) -> None:
    before = User.objects.count()
    page = log_in(client, "stranger")
    assert who(client) is None
    assert "No account here is connected" in page.content.decode()
    assert (User.objects.count(), SocialAccount.objects.count()) == (before, 0)


def test_connecting_asks_who_one_is_first(physician: User) -> None:
    client = Client()
    client.force_login(physician)
    answer = client.post(reverse("sso_connect"))
    assert reverse("account_reauthenticate") in answer["Location"]
    assert client.post(reverse("openid_connect_login", args=["hospital"]), {"process": "connect"}).status_code == 404


def test_one_hospital_log_in_opens_one_account(physician: User, centre: Centre) -> None:
    connect(physician, "subject-2")
    other = make.make_user(Role.LAB_STAFF, centre, password=make.PASSWORD)
    connect(other, "subject-2")
    assert [one.user for one in SocialAccount.objects.all()] == [physician]
    connect(physician, "subject-3")
    assert [one.uid for one in SocialAccount.objects.all()] == ["subject-2"]


def test_answer_cannot_be_used_in_another_browser(client: Client, physician: User) -> None:
    connect(physician, "subject-4")
    back = at_the_provider(
        sent_to_the_provider(Client(), reverse("openid_connect_login", args=["hospital"])), "subject-4"
    )
    client.get(back)
    assert who(client) is None


def test_closed_account_stays_closed(client: Client, physician: User) -> None:
    connect(physician, "subject-5")
    User.objects.filter(pk=physician.pk).update(is_active=False)
    log_in(client, "subject-5")
    assert who(client) is None


def test_user_names_connect_only_where_the_operator_says_so(
    client: Client, physician: User, provider: str, settings: Any
) -> None:
    with claims(provider, "subject-6", preferred_username=physician.username):
        log_in(client, "subject-6")
        assert who(client) is None
        settings.OIDC_USERNAME_CLAIM = "preferred_username"
        log_in(client, "subject-6")
        assert who(client) == str(physician.pk)
    with claims(provider, "subject-7", preferred_username=physician.username):
        other = Client()
        log_in(other, "subject-7")
        assert who(other) is None, "an account that is connected is not taken over by its name"


def test_local_log_in_may_be_closed_and_stays_open_to_administrators(
    client: Client, physician: User, centre: Centre, settings: Any
) -> None:
    administrator = make.make_user(Role.ADMINISTRATOR, centre, password=make.PASSWORD)
    connect(physician, "subject-8")
    client.force_login(administrator)
    client.post(reverse("account_reauthenticate"), {"password": make.PASSWORD})
    address = reverse("people:settings", args=[centre.code])
    sent = {"version": centre.version, "name": centre.name, "idle_lock_min": 15, "local_log_in_closed": "on"}
    assert client.post(address, sent).status_code == 302
    centre.refresh_from_db()
    assert centre.local_log_in_closed

    def by_password(user: User) -> Client:
        one = Client()
        one.post(reverse("login"), {"username": user.username, "password": make.PASSWORD})
        return one

    assert who(by_password(physician)) is None
    assert who(by_password(administrator)) == str(administrator.pk)
    there = Client()
    log_in(there, "subject-8")
    assert who(there) == str(physician.pk)
    settings.OIDC_URL = ""
    assert not only_there(physician), "without a provider nobody is locked out"
    assert who(by_password(physician)) == str(physician.pk)


def test_page_of_the_log_in_offers_it(client: Client, settings: Any) -> None:
    assert "Log in with the hospital" in client.get(reverse("login")).content.decode()
    settings.OIDC_URL = ""
    assert "Log in with the hospital" not in client.get(reverse("login")).content.decode()


def test_provider_that_is_down_is_said_and_harms_nobody(client: Client, settings: Any) -> None:
    app = settings.SOCIALACCOUNT_PROVIDERS["openid_connect"]["APPS"][0]
    app["settings"]["server_url"] = "http://127.0.0.1:9/"
    page = client.post(reverse("openid_connect_login", args=["hospital"]), follow=True)
    assert page.status_code == 200
    assert "did not work" in page.content.decode()
