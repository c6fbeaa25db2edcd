"""Log-in, lock, second factor and the administrator's pages in a real browser: accessible, by keyboard."""

from __future__ import annotations

import re

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.core.cache import cache
from django.urls import reverse
from playwright.sync_api import Page, expect

from registry.models import Role, User
from registry.services.people import add_member
from tests import factories as make
from tests.browser.keyboard import press, type_into

pytestmark = pytest.mark.django_db(transaction=True)
SIZES = [(768, 1024), (1440, 900)]


@pytest.fixture
def user() -> User:
    cache.clear()
    return make.make_user(Role.PHYSICIAN, password=make.PASSWORD)


def by_form(page: Page, user: User) -> None:
    page.goto(reverse("login"))
    type_into(page, "User name", user.username)
    type_into(page, "Password", make.PASSWORD)
    press(page, "Log in")


def confirm(page: Page) -> None:
    page.get_by_label("Your password").fill(make.PASSWORD)
    page.get_by_role("button", name="Confirm").click()


def look_at(page: Page) -> None:
    report = Axe().run(page)
    assert report.violations_count == 0, f"{page.url}: {report.generate_report()}"
    for width, height in SIZES:
        page.set_viewport_size({"width": width, "height": height})
        wide = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        assert wide <= 0, f"{page.url} is wider than {width}"


@pytest.fixture
def virtual_passkeys(page: Page) -> None:
    """Give the browser an authenticator that confirms every request as its user would."""
    line = page.context.new_cdp_session(page)
    line.send("WebAuthn.enable")
    options = {"protocol": "ctap2", "transport": "internal", "hasResidentKey": True, "hasUserVerification": True}
    line.send(
        "WebAuthn.addVirtualAuthenticator",
        {"options": options | {"isUserVerified": True, "automaticPresenceSimulation": True}},
    )


def test_passkey_is_added_then_opens_and_unlocks_without_a_password(page: Page, user: User, virtual_passkeys) -> None:
    by_form(page, user)
    page.goto(reverse("mfa_add_webauthn"))
    look_at(page)
    confirm(page)
    look_at(page)
    page.get_by_label("Name of this passkey").fill("blue key")
    page.get_by_label("Use this passkey to log in without the password").check()
    page.get_by_role("button", name="Add the passkey").click()
    expect(page.get_by_role("heading", name="Recovery codes")).to_be_visible()
    look_at(page)
    page.goto(reverse("mfa_list_webauthn"))
    expect(page.get_by_role("link", name=re.compile("blue key ?, change the name"))).to_be_visible()
    look_at(page)

    page.get_by_role("button", name="Lock").click()
    expect(page.get_by_role("heading", name="Locked")).to_be_visible()
    look_at(page)
    page.get_by_role("link", name="Use a passkey or code").click()
    page.get_by_role("button", name="Use a passkey").click()
    expect(page.get_by_role("heading", name="Passkeys")).to_be_visible()

    page.get_by_role("button", name="Log out").click()
    page.get_by_role("button", name="Log in with a passkey").click()
    page.wait_for_url("**/sessions/")


def test_authenticator_app_page(page: Page, user: User) -> None:
    by_form(page, user)
    page.goto(reverse("mfa_activate_totp"))
    confirm(page)
    expect(page.get_by_alt_text("QR code for your authenticator app")).to_be_visible()
    look_at(page)
    page.get_by_label("Code shown in the app").fill("000000")
    press(page, "Use this app")
    expect(page.get_by_role("alert")).to_contain_text("This code is not correct")


def test_untouched_page_hides_everything_and_gives_it_back(page: Page, user: User, complaints) -> None:
    complaints.allow("422")
    patient = make.make_patient(user.memberships.get().centre, by=user, family_name="Readablename")
    page.clock.install()
    by_form(page, user)
    page.goto(reverse("registry:patient", args=[patient.pk]))
    expect(page.get_by_text("Readablename").first).to_be_visible()
    page.goto(reverse("registry:new_patient"))
    page.get_by_label("Family name").fill("Halfwaytyped")
    page.clock.fast_forward("16:00")
    screen = page.locator("[data-lock-screen]")
    expect(screen.get_by_role("heading", name="Locked")).to_be_visible()
    expect(page).to_have_title("Locked")
    assert page.locator("body").inner_text().split("\n")[0] == "Locked"
    assert page.get_by_label("Family name").is_hidden()
    assert Axe().run(page).violations_count == 0

    page.keyboard.type("wrong")
    page.keyboard.press("Enter")
    expect(screen.get_by_role("alert")).to_contain_text("This password is not correct")
    page.keyboard.type(make.PASSWORD)
    page.keyboard.press("Enter")
    expect(page.get_by_label("Family name")).to_have_value("Halfwaytyped")
    expect(screen).to_have_count(0)


def test_lock_without_a_line_keeps_the_page(page: Page, user: User, complaints) -> None:
    complaints.allow("ERR_INTERNET_DISCONNECTED")
    page.clock.install()
    by_form(page, user)
    page.goto(reverse("registry:new_patient"))
    page.get_by_label("Family name").fill("Halfwaytyped")
    page.context.set_offline(True)
    page.clock.fast_forward("16:00")
    page.keyboard.type(make.PASSWORD)
    page.keyboard.press("Enter")
    expect(page.locator("[data-lock-screen]").get_by_role("alert")).to_contain_text("no connection to the server")
    assert page.get_by_label("Family name").is_hidden()
    page.context.set_offline(False)
    page.locator("[data-lock-screen] input").fill(make.PASSWORD)
    page.keyboard.press("Enter")
    expect(page.get_by_label("Family name")).to_have_value("Halfwaytyped")


@pytest.mark.parametrize("theme", ["bright", "dark"])
def test_administrators_and_account_pages_are_accessible(page: Page, log_in, user: User, theme: str) -> None:
    centre = user.memberships.get().centre
    administrator = make.make_user(Role.ADMINISTRATOR, centre, password=make.PASSWORD)
    add_member(by=None, centre=centre, user=make.make_user(None), role=Role.LAB_STAFF)
    log_in(administrator)
    page.goto(reverse("account_reauthenticate"))
    confirm(page)
    page.evaluate(f"localStorage.setItem('tributary-theme', '{theme}')")
    member = user.memberships.get()
    for address in (
        reverse("people:centres"),
        reverse("people:new_centre"),
        reverse("people:centre", args=[centre.code]),
        reverse("people:settings", args=[centre.code]),
        reverse("people:new_member", args=[centre.code]),
        reverse("people:member", args=[centre.code, member.pk]),
        reverse("account"),
        reverse("account_sessions"),
        reverse("account_change_password"),
        reverse("mfa_index"),
    ):
        page.goto(address)
        look_at(page)
