"""Logging in: password, second factor, recovery codes, limits, and confirming who one is."""

from __future__ import annotations

import time

import pytest
from allauth.mfa.models import Authenticator
from django.http import HttpRequest, HttpResponse
from django.test import Client
from django.urls import reverse

from registry.errors import RuleBroken
from registry.login.reauthentication import confirm_with_password, recently_confirmed, to_confirmation
from registry.models import Role, User
from tests import factories as make
from tests.registry.login.enrolling import confirm, enrol, recovery_codes

pytestmark = pytest.mark.django_db


@pytest.fixture
def user() -> User:
    return make.make_user(Role.PHYSICIAN, password=make.PASSWORD)


def log_in(client: Client, user: User, password: str = make.PASSWORD, **more: str) -> HttpResponse:
    return client.post(reverse("login"), {"username": user.username, "password": password} | more)


def test_log_in_goes_on_to_the_page_that_was_asked_for(client, user):
    assert log_in(client, user, next="/patients/").url == "/patients/"
    assert client.session["_auth_user_id"] == str(user.pk)


def test_log_in_does_not_lead_to_another_site(client, user):
    assert log_in(client, user, next="https://elsewhere.example/").url == "/"


def test_wrong_password_is_said_without_naming_which_part(client, user):
    unknown = client.post(reverse("login"), {"username": "nobody", "password": "nothing"}).content.decode()
    wrong = log_in(client, user, "wrong").content.decode()
    for page in (unknown, wrong):
        assert "The user name or password is not correct." in page


def test_second_factor_is_asked_for_once_it_is_set_up(client, user):
    log_in(client, user)
    enrol(client)
    client.post(reverse("logout"))

    assert log_in(client, user).url == reverse("mfa_authenticate")
    assert client.get(reverse("procedures:sessions")).url.startswith(reverse("login"))
    wrong = client.post(reverse("mfa_authenticate"), {"code": "000000"}).content.decode()
    assert "This code is not correct" in wrong
    codes = recovery_codes(user)
    assert client.post(reverse("mfa_authenticate"), {"code": codes[0]}).url == "/"
    assert client.get(reverse("procedures:sessions")).status_code == 200


def test_recovery_code_opens_once(client, user):
    log_in(client, user)
    enrol(client)
    code = recovery_codes(user)[0]
    statuses = []
    for _ in range(2):
        client.post(reverse("logout"))
        log_in(client, user)
        statuses.append(client.post(reverse("mfa_authenticate"), {"code": code}).status_code)
    assert statuses == [302, 200]


ABOUT_FACTORS = (
    *("mfa_deactivate_totp", "mfa_view_recovery_codes", "mfa_download_recovery_codes", "mfa_add_webauthn"),
    *("mfa_generate_recovery_codes", "mfa_activate_totp"),
)


def test_second_factor_is_neither_removed_nor_its_codes_shown_with_the_password_alone(client, user):
    log_in(client, user)
    enrol(client)
    codes = recovery_codes(user)
    assert codes[0] in client.get(reverse("mfa_view_recovery_codes")).content.decode(), "shown once it is set up"
    client.post(reverse("logout"))
    log_in(client, user)
    client.post(reverse("mfa_authenticate"), {"code": codes[0]})
    confirm(client)
    for name in ABOUT_FACTORS:
        for ask in (client.get, client.post):
            assert ask(reverse(name)).url.startswith(reverse("mfa_reauthenticate")), name
    assert Authenticator.objects.filter(user=user).count() == 2

    assert client.post(reverse("mfa_reauthenticate"), {"code": "000000"}).status_code == 200
    assert client.post(reverse("mfa_reauthenticate"), {"code": codes[1], "next": "/account/"}).url == "/account/"
    assert codes[2] in client.get(reverse("mfa_view_recovery_codes")).content.decode()
    client.post(reverse("mfa_deactivate_totp"))
    assert not Authenticator.objects.filter(user=user).exists()


def test_secrets_of_the_second_factor_are_not_in_the_database(client, user):
    log_in(client, user)
    secret = enrol(client)
    stored = str(list(Authenticator.objects.values_list("data", flat=True)))
    assert secret not in stored
    assert stored.count("gAAAA") == 2  # Fernet: the app's secret and the seed of the recovery codes


def test_setting_up_a_second_factor_asks_for_confirmation_first(client, user):
    log_in(client, user)
    assert client.get(reverse("mfa_activate_totp")).url.startswith(reverse("account_reauthenticate"))
    assert client.get(reverse("mfa_add_webauthn")).url.startswith(reverse("account_reauthenticate"))


@pytest.mark.parametrize("name", ["mfa_index", "account", "account_change_password"])
def test_pages_of_ones_account_open(client, user, name):
    log_in(client, user)
    assert client.get(reverse(name)).status_code == 200


def test_password_is_changed_and_other_sessions_end(client, user):
    other = Client()
    log_in(other, user)
    log_in(client, user)
    new = "four words not seen before"
    body = {"oldpassword": make.PASSWORD, "password1": new, "password2": new}
    assert client.post(reverse("account_change_password"), body).status_code == 302
    assert client.get(reverse("account")).status_code == 200
    assert other.get(reverse("account")).status_code == 302
    user.refresh_from_db()
    assert user.check_password(new)


def test_short_password_is_refused_beside_its_field(client, user):
    log_in(client, user)
    body = {"oldpassword": make.PASSWORD, "password1": "short", "password2": "short"}
    page = client.post(reverse("account_change_password"), body).content.decode()
    assert "at least 12 characters" in page
    assert 'id="id_password1_error"' in page


def request_of(client: Client, user: User) -> HttpRequest:
    request = client.get(reverse("account")).wsgi_request
    request.user = user
    return request


def test_logging_in_is_no_confirmation_the_password_given_again_is(client, user):
    log_in(client, user)
    assert not recently_confirmed(request_of(client, user))
    assert confirm(client).status_code == 302
    assert recently_confirmed(request_of(client, user))


def test_confirmation_counts_for_five_minutes(client, user, monkeypatch):
    log_in(client, user)
    confirm(client)
    request = request_of(client, user)
    now = time.time()
    monkeypatch.setattr(time, "time", lambda: now + 299)
    assert recently_confirmed(request)
    monkeypatch.setattr(time, "time", lambda: now + 301)
    assert not recently_confirmed(request)


def test_confirmation_belongs_to_its_session(client, user):
    log_in(client, user)
    confirm(client)
    other = Client()
    log_in(other, user)
    assert not recently_confirmed(request_of(other, user))


def test_somebody_without_any_means_never_confirmed(client):
    user = make.make_user(Role.PHYSICIAN)  # no password, no second factor
    client.force_login(user)
    assert not recently_confirmed(request_of(client, user))


def test_password_in_a_form_confirms_or_is_refused_beside_its_field(client, user):
    log_in(client, user)
    request = request_of(client, user)
    with pytest.raises(RuleBroken) as refused:
        confirm_with_password(request, "wrong")
    assert refused.value.fields == {"password": ["This password is not correct. Check capital letters and try again."]}
    assert not recently_confirmed(request)
    confirm_with_password(request, make.PASSWORD)
    assert recently_confirmed(request)


def test_unlocking_is_no_confirmation_of_anything_else(client, user):
    log_in(client, user)
    client.post(reverse("lock"))
    assert client.post(reverse("lock"), {"password": make.PASSWORD}).status_code == 302
    assert client.get(reverse("account")).status_code == 200
    assert not recently_confirmed(request_of(client, user))
    assert client.get(reverse("mfa_activate_totp")).url.startswith(reverse("account_reauthenticate"))


def test_confirmation_of_one_person_is_none_of_another(client, user):
    log_in(client, user)
    confirm(client)
    assert not recently_confirmed(request_of(client, make.make_user(Role.PHYSICIAN)))


def test_confirmation_leads_back(client, user):
    log_in(client, user)
    address = to_confirmation(request_of(client, user), "/patients/").url
    assert client.get(address).status_code == 200
    assert client.post(address, {"password": make.PASSWORD, "next": "/patients/"}).url == "/patients/"


def test_passkey_of_somebody_else_is_not_found(client, user):
    theirs = Authenticator.objects.create(user=make.make_user(), type="webauthn", data={})
    log_in(client, user)
    confirm(client)
    for name in ("mfa_edit_webauthn", "mfa_remove_webauthn"):
        assert client.get(reverse(name, args=[theirs.pk])).status_code == 404
        assert client.post(reverse(name, args=[theirs.pk]), {"name": "mine"}).status_code == 404
    assert Authenticator.objects.filter(pk=theirs.pk).exists()
