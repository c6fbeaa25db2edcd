"""The idle lock on the bedside page: it outlasts a reload, heeds the server's word, and lets nothing be entered."""

from __future__ import annotations

import pytest
from django.urls import reverse
from playwright.sync_api import BrowserContext, Page, expect

from procedures.models import LogEntry
from tests import factories as make
from tests.browser.bedside import note, open_page, texts, wait_for_drained, wait_until
from tests.browser.test_bedside_tablet import with_worker

pytestmark = pytest.mark.django_db(transaction=True)
ENTER = "bedside.store.put('log_entry', { kind: 'note', text: 'no' }).then(() => 'kept', (error) => error.message)"


def by_form(page: Page, user: object) -> None:
    page.goto(reverse("login"))
    page.get_by_label("User name").fill(user.username)  # type: ignore[attr-defined] # a user
    page.get_by_label("Password").fill(make.PASSWORD)
    page.get_by_role("button", name="Log in", exact=True).click()
    page.wait_for_url("**/sessions/")


def unlock(page: Page) -> None:
    page.locator("[data-lock-screen] input").fill(make.PASSWORD)
    page.keyboard.press("Enter")
    expect(page.locator("[data-lock-screen]")).to_have_count(0)


def expect_locked(page: Page) -> None:
    expect(page.locator("[data-lock-screen]").get_by_role("heading", name="Locked")).to_be_visible()
    expect(page).to_have_title("Locked")
    wait_until(page, "document.body.innerText.trim().startsWith('Locked')")


@pytest.mark.parametrize("line", [True, False])
def test_reload_opens_no_locked_page(
    page: Page, context: BrowserContext, complaints, nurse, session, line: bool
) -> None:
    complaints.allow("423|ERR_INTERNET_DISCONNECTED|Failed to fetch")
    page.clock.install()
    by_form(page, nurse)
    with_worker(page, session)
    note(page, "readable words")
    wait_for_drained(page)
    context.set_offline(not line)
    page.clock.fast_forward("16:00")
    expect_locked(page)
    page.reload()
    expect_locked(page)
    wait_until(page, "Boolean(globalThis.bedside)")
    assert "readable words" not in page.locator("body").inner_text()
    assert "locked" in page.evaluate(ENTER)
    context.set_offline(False)
    unlock(page)
    expect(page.locator("#main")).to_contain_text("readable words")
    note(page, "after")
    wait_for_drained(page)
    assert sorted(texts(page)) == ["after", "readable words"]
    assert LogEntry.objects.count() == 2


def test_page_opened_after_the_minutes_is_locked_from_the_start(page: Page, complaints, log_in, nurse, session) -> None:
    complaints.allow("423")
    log_in(nurse)
    with_worker(page, session)
    page.goto(reverse("procedures:sessions"))
    # Nobody was there for twenty minutes by this tablet's clock.
    page.evaluate("localStorage.setItem('tributary-touched', Date.now() - 20 * 60_000)")
    page.goto(reverse("procedures:bedside", args=[session.pk]))
    expect_locked(page)
    # The server has been told, and does not answer either.
    wait_until(page, "fetch('/api/v1/bedside/token').then((answer) => answer.status === 423)")


def test_word_of_the_server_locks_at_once_and_unlocking_elsewhere_opens(
    page: Page, context: BrowserContext, complaints, nurse, session
) -> None:
    complaints.allow("423")
    by_form(page, nurse)
    open_page(page, session)
    other = context.new_page()
    other.goto(reverse("procedures:sessions"))
    page.evaluate("addEventListener('storage', (event) => event.stopImmediatePropagation(), { capture: true })")
    other.get_by_role("button", name="Lock").click()
    other.get_by_role("heading", name="Locked").wait_for()
    expect_locked(page)
    assert "locked" in page.evaluate(ENTER)
    other.get_by_label("Password").fill(make.PASSWORD)
    other.get_by_role("button", name="Unlock").click()
    other.wait_for_url("**/sessions/")
    page.reload()
    wait_until(page, "Boolean(globalThis.bedside?.store.state)")
    expect(page.locator("[data-lock-screen]")).to_have_count(0)
    assert note(page, "goes on")["text"] == "goes on"
    wait_for_drained(page)


def test_locked_page_whose_session_has_ended_leads_to_the_log_in(
    page: Page, context: BrowserContext, complaints, nurse, session
) -> None:
    complaints.allow("40[13]")
    by_form(page, nurse)
    open_page(page, session)
    page.evaluate("document.dispatchEvent(new CustomEvent('locked'))")
    expect_locked(page)
    context.clear_cookies(name="sessionid")
    page.locator("[data-lock-screen] input").fill(make.PASSWORD)
    page.keyboard.press("Enter")
    page.wait_for_url("**/log-in/**")
    page.get_by_label("User name").fill(nurse.username)
    page.get_by_label("Password").fill(make.PASSWORD)
    page.get_by_role("button", name="Log in", exact=True).click()
    page.wait_for_url("**/bedside/")
    wait_until(page, "Boolean(globalThis.bedside?.store.state)")
    expect(page.locator("[data-lock-screen]")).to_have_count(0)
    expect(page.locator("#main")).to_contain_text("No entries yet")


def test_tabs_lock_and_open_together(page: Page, context: BrowserContext, complaints, nurse, session) -> None:
    complaints.allow("423")
    by_form(page, nurse)
    open_page(page, session)
    other = context.new_page()
    other.goto(reverse("registry:patients"))
    other.get_by_role("button", name="Lock").click()
    expect_locked(page)
    other.get_by_label("Password").fill(make.PASSWORD)
    other.get_by_role("button", name="Unlock").click()
    expect(page.locator("[data-lock-screen]")).to_have_count(0)
    expect(page.locator("#bedside-line")).to_contain_text("Everything is on the server")


def test_page_of_one_person_is_not_opened_by_another(page: Page, complaints, log_in, nurse, session) -> None:
    by_form(page, nurse)
    page.goto(reverse("registry:new_patient"))
    page.get_by_label("Family name").fill("Halfwaytyped")
    page.evaluate("document.dispatchEvent(new CustomEvent('locked'))")
    expect_locked(page)
    log_in(make.make_user(nurse.memberships.get().role, session.centre, password=make.PASSWORD))
    page.locator("[data-lock-screen] input").fill(make.PASSWORD)
    page.keyboard.press("Enter")
    expect(page.get_by_label("Family name")).to_have_value("")
