"""Two people and one tablet: whose name an entry bears, whose words are shown, and who waits for whom."""

from __future__ import annotations

from typing import Any

import pytest
from django.urls import reverse
from playwright.sync_api import Page, expect

from procedures.models import BedsideEntry, LogEntry, Session
from registry.models import Role, User
from registry.models.base import new_key
from tests import factories as make
from tests.browser.bedside import note, open_page, put, texts, wait_for_drained, wait_until

pytestmark = pytest.mark.django_db(transaction=True)
ENTRIES = "**/api/v1/bedside/entries"
WORDS = "Unsaid words."
_ADD = """async ([session, author, entry]) => {
  await bedside.store.outbox.add(session, author, entry);
  await bedside.store.reload();
}"""


@pytest.fixture
def colleague(session: Session) -> User:
    return make.make_user(Role.LAB_STAFF, session.centre, password=make.PASSWORD)


def is_at(page: Page, user: User) -> None:
    wait_until(page, f"bedside.store.state?.me === '{user.pk}'")


def refused_entry(page: Page) -> None:
    """Enter what the server cannot take and a person has to look at."""
    put(page, "log_entry", {"kind": "no such kind", "occurred_at": "2024-03-02T09:05:00Z", "text": WORDS})
    wait_until(page, "bedside.store.counts.attention === 1")


def leave_and_keep(page: Page) -> None:
    page.goto(reverse("procedures:sessions"))
    page.get_by_role("button", name="Log out").click()
    page.get_by_role("dialog").get_by_role("button", name="keep here").click()
    page.wait_for_url("**/log-in/**")


def test_who_is_logged_in_is_known_although_nothing_was_written(page: Page, log_in, nurse, colleague, session) -> None:
    log_in(nurse)
    open_page(page, session)
    is_at(page, nurse)
    log_in(colleague)
    is_at(page, colleague)
    note(page, "his")
    wait_for_drained(page)
    row = BedsideEntry.objects.get()
    assert (row.captured_by, row.sent_by, LogEntry.objects.get().author) == (colleague, colleague, colleague)


_SEEN = "(state) => Object.defineProperty(document, 'visibilityState', { value: state, configurable: true })"


def test_first_entry_on_a_page_come_back_to_bears_the_right_name(page: Page, log_in, nurse, colleague, session) -> None:
    log_in(nurse)
    open_page(page, session)
    # A hidden page looks once more at the server, then no longer.
    with page.expect_response("**/api/v1/bedside/sessions/**"):
        page.evaluate(f"{{ ({_SEEN})('hidden') }}")
    log_in(colleague)
    page.evaluate(
        f"""async () => {{
          ({_SEEN})("visible");
          document.dispatchEvent(new Event("visibilitychange"));
          await bedside.store.put("log_entry", {{ kind: "note", text: "his", occurred_at: "2024-03-02T09:05:00Z" }});
        }}"""
    )
    wait_for_drained(page)
    assert LogEntry.objects.get().author == colleague


def test_gateway_that_lost_the_way_keeps_nobody_from_entering(page: Page, complaints, log_in, nurse, session) -> None:
    complaints.allow("404")
    log_in(nurse)
    open_page(page, session)
    page.route("**/api/v1/bedside/**", lambda route: route.fulfill(status=404, body="<html>no such way</html>"))
    wait_until(page, "bedside.store.counts.missing")
    assert note(page, "kept")["text"] == "kept"
    page.unroute("**/api/v1/bedside/**")
    wait_for_drained(page)


def test_rights_are_those_of_whoever_is_logged_in(page: Page, log_in, nurse, session) -> None:
    physician = make.make_user(Role.PHYSICIAN, session.centre)
    log_in(nurse)
    open_page(page, session)
    mine = page.evaluate("bedside.store.state.rights")
    log_in(physician)
    is_at(page, physician)
    wait_until(page, "bedside.store.known.cursor !== null")
    assert page.evaluate("bedside.store.state.rights") != mine


def test_session_is_taken_off_the_screen_of_somebody_who_may_not_see_it(
    page: Page, complaints, log_in, nurse, session
) -> None:
    complaints.allow("404")
    log_in(nurse)
    open_page(page, session)
    note(page, WORDS)
    wait_for_drained(page)
    expect(page.locator("#main")).to_contain_text(WORDS)
    log_in(make.make_user(Role.LAB_STAFF, make.make_centre()))
    expect(page.locator("#main")).to_have_text("You have no access to this session.")
    body = page.locator("body").inner_text()
    assert WORDS not in body
    assert session.code not in body
    log_in(nurse)
    expect(page.locator("#main")).to_contain_text(WORDS)


def test_kept_entries_show_no_word_to_anybody_but_their_author(
    page: Page, complaints, log_in, nurse, colleague, session
) -> None:
    complaints.allow("401|403|422")
    log_in(nurse)
    open_page(page, session)
    refused_entry(page)
    expect(page.locator("#bedside-attention")).to_contain_text(WORDS)
    leave_and_keep(page)

    page.goto(reverse("procedures:bedside", args=[session.pk]))
    tray = page.locator("#bedside-attention")
    expect(tray).to_contain_text("1 entry by a colleague who is not logged in")
    assert WORDS not in page.content()
    assert tray.get_by_role("button").count() == 0

    log_in(colleague)
    open_page(page, session)
    expect(tray).to_contain_text("Entered at ")
    assert WORDS not in page.content()
    assert texts(page) == []
    # In another session there is nothing of it but the number in the line.
    open_page(page, make.make_session(make.make_patient(session.centre)))
    expect(page.locator("#bedside-line")).to_contain_text("1 of them by a colleague who is not logged in")
    expect(tray).to_be_hidden()

    log_in(nurse)
    open_page(page, session)
    expect(tray).to_contain_text(WORDS)
    tray.get_by_role("button", name="Discard this entry").click()
    wait_for_drained(page)


def test_what_is_taken_over_is_then_ones_own_to_settle(
    page: Page, complaints, log_in, nurse, colleague, session
) -> None:
    complaints.allow("403")
    log_in(nurse)
    open_page(page, session)
    refused_entry(page)
    log_in(colleague)
    tray = page.locator("#bedside-attention")
    tray.get_by_role("button", name="Send it under my name").click()
    expect(tray).to_contain_text(WORDS)
    tray.get_by_role("button", name="Discard this entry").click()
    wait_for_drained(page)
    assert not LogEntry.objects.exists()


def row(text: str, key: str, **more: Any) -> dict[str, Any]:
    payload = {"kind": "note", "occurred_at": "2024-03-02T09:05:00Z", "text": text}
    made = {"id": str(new_key()), "kind": "log_entry", "key": key, "version": None, "based_on": None, "remove": False}
    return made | {"captured_at": "2024-03-02T09:05:01Z", "captured_by": None, "payload": payload} | more


def test_an_edit_waits_for_a_colleagues_note_and_the_note_for_nothing(
    page: Page, log_in, nurse, colleague, session
) -> None:
    log_in(colleague)
    open_page(page, session)
    page.route(ENTRIES, lambda route: route.abort())
    first = row("hers", str(new_key()))
    edit = row("hers, corrected by him", first["key"], based_on=first["id"])
    page.evaluate(_ADD, [str(session.pk), str(nurse.pk), first])
    page.evaluate(_ADD, [str(session.pk), str(colleague.pk), edit])
    page.unroute(ENTRIES)
    note(page, "goes on")
    wait_until(page, "bedside.store.pending.length === 2")
    assert [one.text for one in LogEntry.objects.all()] == ["goes on"]
    assert page.evaluate("bedside.store.counts.attention") == 0
    log_in(nurse)
    wait_until(page, "bedside.store.pending.length === 1")
    assert LogEntry.objects.get(pk=first["key"]).text == "hers"
    log_in(colleague)
    wait_for_drained(page)
    stored = LogEntry.objects.get(pk=first["key"])
    assert (stored.text, stored.version) == ("hers, corrected by him", 2)


def test_entry_that_follows_what_is_nowhere_is_asked_about(page: Page, log_in, nurse, session) -> None:
    log_in(nurse)
    open_page(page, session)
    lost = row("follows what is lost", str(new_key()), based_on=str(new_key()))
    page.evaluate(_ADD, [str(session.pk), str(nurse.pk), lost])
    page.evaluate("bedside.store.sendNow()")
    tray = page.locator("#bedside-attention")
    expect(tray).to_contain_text("neither on the server nor on this tablet")
    tray.get_by_role("button", name="Enter it again").click()
    wait_for_drained(page)
    assert LogEntry.objects.get().text == "follows what is lost"
