"""The outbox of the bedside page in a real browser: shown at once, sent once, in order, and asked about."""

from __future__ import annotations

import datetime as dt
import time
from typing import Any

import pytest
from django.conf import settings
from django.test import Client
from playwright.sync_api import BrowserContext, Page, Response, Route, expect

from procedures.models import BedsideEntry, LeadMeasurement, LogEntry, Site
from procedures.services.sessions import log
from registry.models import Role, User
from tests import factories as make
from tests.browser.bedside import note, open_page, put, settle, texts, wait_for_drained, wait_until
from tests.chromium import PATIENCE_S

pytestmark = pytest.mark.django_db(transaction=True)
ENTRIES = "**/api/v1/bedside/entries"


def log_in_again(context: BrowserContext, live_server: Any, user: User) -> None:
    client = Client()
    client.force_login(user)
    cookie = client.cookies[settings.SESSION_COOKIE_NAME]
    context.add_cookies([{"name": cookie.key, "value": cookie.value, "url": str(live_server)}])


def test_entry_is_shown_at_once_and_reaches_the_server_once(page: Page, log_in, nurse, session) -> None:
    log_in(nurse)
    open_page(page, session)
    began = time.monotonic()
    entry = note(page, "Calm.")
    assert entry["sync"] in {"here", "sending"}
    wait_for_drained(page)
    on_its_way_s = time.monotonic() - began
    stored = LogEntry.objects.get()
    assert (str(stored.pk), stored.text, stored.author) == (entry["key"], "Calm.", nurse)
    row = BedsideEntry.objects.get()
    assert (row.captured_by, row.sent_by, row.answer) == (nurse, nurse, {"version": 1})
    # One clock here: the request's own time on its way is all that can look like a difference.
    assert -on_its_way_s - 1 <= row.clock_skew_s <= 1
    assert page.evaluate("bedside.store.state.entries.map((e) => e.sync)") == ["server"]
    expect(page.locator("#bedside-line")).to_contain_text("Everything is on the server")


def test_entries_made_without_a_line_are_sent_in_order_when_it_is_back(
    page: Page, context, complaints, log_in, nurse, session
) -> None:
    complaints.allow("ERR_INTERNET_DISCONNECTED")
    log_in(nurse)
    open_page(page, session)
    context.set_offline(True)
    first = note(page, "one")
    assert note(page, "two")["sync"] == "here"
    # An edit of what is not on the server yet, and a site with what was measured at it.
    put(page, "log_entry", {"text": "one, corrected"}, key=first["key"])
    tributary = put(page, "tributary", {"vein": "lateral"})
    site = put(page, "site", {"tributary": tributary["key"], "label": "L mid", "reached": True})
    values = {"measured_at": "2024-03-02T09:20:00Z", "capture_threshold_v": 1.2, "pulse_width_ms": 0.5}
    put(page, "lead_measurement", values | {"site": site["key"]})
    expect(page.locator("#bedside-line")).to_contain_text("6 entries on this tablet only")
    assert LogEntry.objects.count() == 0
    context.set_offline(False)
    wait_for_drained(page)
    assert sorted(texts(page)) == ["one, corrected", "two"]
    assert LogEntry.objects.get(pk=first["key"]).version == 2
    assert LeadMeasurement.objects.get().site.label == "L mid"
    rows = BedsideEntry.objects.order_by("received_at", "id")
    assert [row.sequence for row in rows] == sorted(row.sequence for row in rows)


def test_server_that_fails_or_is_busy_is_asked_again(page: Page, complaints, log_in, nurse, session) -> None:
    complaints.allow("50[03]|429")
    answers = [503, 429, 500]

    def answer(route: Route) -> None:
        if answers:
            route.fulfill(status=answers.pop(0), body="busy")
        else:
            route.continue_()

    log_in(nurse)
    open_page(page, session)
    page.route(ENTRIES, answer)
    note(page, "kept")
    wait_for_drained(page)
    assert answers == []
    assert LogEntry.objects.get().text == "kept"


def test_entry_at_which_the_server_always_fails_does_not_hold_up_the_others(
    page: Page, complaints, log_in, nurse, session
) -> None:
    complaints.allow("500")

    def answer(route: Route) -> None:
        poison = "poison" in (route.request.post_data or "")
        route.fulfill(status=500, body="fault") if poison else route.continue_()

    log_in(nurse)
    open_page(page, session)
    page.route(ENTRIES, answer)
    note(page, "poison")
    note(page, "after")
    wait_until(page, "bedside.store.counts.attention === 1")
    wait_until(page, "bedside.store.pending.length === 1")
    assert LogEntry.objects.get().text == "after"
    expect(page.locator("#bedside-attention")).to_contain_text(
        "The server could not process this entry, after several attempts."
    )


def test_stale_token_is_replaced_once(page: Page, complaints, log_in, nurse, session) -> None:
    complaints.allow("403")
    sent: list[str] = []

    def answer(route: Route) -> None:
        headers = route.request.headers
        sent.append(headers["x-csrftoken"])
        route.continue_(headers=headers | {"x-csrftoken": "a" * 64} if len(sent) == 1 else headers)

    log_in(nurse)
    open_page(page, session)
    page.route(ENTRIES, answer)
    note(page, "kept")
    wait_for_drained(page)
    assert len(sent) == 2
    assert LogEntry.objects.count() == 1


def test_log_in_that_ran_out_keeps_the_entries_and_is_made_up_for_in_another_tab(
    page: Page, context, complaints, log_in, nurse, session
) -> None:
    complaints.allow("403")
    log_in(nurse)
    open_page(page, session)
    context.clear_cookies()
    note(page, "kept")
    link = page.get_by_role("link", name="Log in")
    expect(link).to_be_visible()
    assert LogEntry.objects.count() == 0
    with context.expect_page() as opened:
        link.click()
    tab = opened.value
    tab.get_by_label("User name").fill(nurse.username)
    tab.get_by_label("Password").fill(make.PASSWORD)
    with tab.expect_event("close"):
        tab.get_by_role("button", name="Log in", exact=True).click()
    wait_for_drained(page)
    assert LogEntry.objects.get().author == nurse
    expect(link).to_be_hidden()


def test_entries_are_not_sent_under_another_persons_name(
    page: Page, context, live_server, complaints, log_in, nurse, session
) -> None:
    complaints.allow("403")
    colleague = make.make_user(Role.LAB_STAFF, session.centre)
    log_in(nurse)
    open_page(page, session)
    context.clear_cookies()
    hers = note(page, "hers")
    log_in_again(context, live_server, colleague)
    page.get_by_role("button", name="Send now").or_(page.locator("main")).first.focus()
    page.evaluate("bedside.store.sendNow()")
    wait_until(page, "bedside.store.counts.colleagues === 1")
    note(page, "his")
    wait_until(page, "bedside.store.pending.length === 1")
    assert [(entry.text, entry.author) for entry in LogEntry.objects.all()] == [("his", colleague)]
    expect(page.locator("#bedside-line")).to_contain_text("by a colleague who is not logged in")
    page.get_by_role("button", name="Send it under my name").click()
    wait_for_drained(page)
    stored = LogEntry.objects.get(pk=hers["key"])
    row = BedsideEntry.objects.get(record_key=hers["key"])
    assert (stored.author, row.sent_by, row.captured_by) == (colleague, colleague, nurse)


@pytest.mark.parametrize(("button", "expected"), [("Use the entry made here", "ours"), ("Keep what", "theirs")])
def test_edits_of_one_field_give_a_choice_with_both_values(
    page: Page, context, complaints, log_in, nurse, session, button: str, expected: str
) -> None:
    complaints.allow("ERR_INTERNET_DISCONNECTED")
    entry = log(by=nurse, session=session, kind="note", text="first", occurred_at=make.START)
    log_in(nurse)
    open_page(page, session)
    context.set_offline(True)
    put(page, "log_entry", {"text": "ours"}, key=str(entry.pk))
    # Another edit after it, which must not slip through whatever is chosen.
    put(page, "log_entry", {"kind": "drug"}, key=str(entry.pk))
    log(by=nurse, session=session, kind="note", text="theirs", occurred_at=make.START, key=entry.pk, version=1)
    context.set_offline(False)
    tray = page.locator("#bedside-attention")
    row = tray.get_by_role("row", name="Remark")
    expect(row).to_contain_text("ours")
    expect(row).to_contain_text("theirs")
    assert LogEntry.objects.get().text == "theirs"
    tray.get_by_role("button", name=button).click()
    if expected == "theirs":
        expect(tray.get_by_role("row", name="Event")).to_contain_text("drug")
        tray.get_by_role("button", name="Keep what").click()
    wait_for_drained(page)
    stored = LogEntry.objects.get()
    assert (stored.text, stored.kind) == ((expected, "drug") if expected == "ours" else (expected, "note"))
    expect(tray).to_be_hidden()


def test_same_vein_entered_on_two_tablets_can_be_one(page: Page, complaints, context, log_in, nurse, session) -> None:
    complaints.allow("ERR_INTERNET_DISCONNECTED")
    log_in(nurse)
    open_page(page, session)
    context.set_offline(True)
    tributary = put(page, "tributary", {"vein": "lateral"})
    put(page, "site", {"tributary": tributary["key"], "label": "L mid", "reached": True})
    note(page, "goes on")
    theirs = make.make_tributary(session, "lateral")
    context.set_offline(False)
    wait_until(page, "bedside.store.counts.attention === 1 && bedside.store.pending.length === 2")
    assert LogEntry.objects.get().text == "goes on"
    page.get_by_role("button", name="It is the same one").click()
    wait_for_drained(page)
    assert Site.objects.get().tributary == theirs


def test_unusual_value_is_confirmed_and_impossible_one_corrected(page: Page, log_in, nurse, session) -> None:
    site = make.make_site(make.make_tributary(session), "L mid")
    log_in(nurse)
    open_page(page, session)
    values = {"site": str(site.pk), "measured_at": "2024-03-02T09:20:00Z", "pulse_width_ms": 0.5}
    unusual = put(page, "lead_measurement", values | {"capture_threshold_v": 9})
    impossible = put(page, "lead_measurement", values | {"capture_threshold_v": 90})
    wait_until(page, "bedside.store.counts.attention === 2")
    expect(page.locator("#bedside-attention")).to_contain_text("Enter a value from 0.05 to 12")
    page.get_by_role("button", name="The values are correct").click()
    settle(page, impossible["key"], {"capture_threshold_v": 0.9})
    wait_for_drained(page)
    stored = {str(one.pk): one.capture_threshold_v for one in LeadMeasurement.objects.all()}
    assert stored == {unusual["key"]: 9, impossible["key"]: 0.9}


_PAUSES = """{
  const real = setTimeout;
  globalThis.pauses = [];
  globalThis.setTimeout = (task, pause, ...more) => (pauses.push(pause), real(task, pause, ...more));
}"""


def test_two_tablets_see_each_others_entries_with_the_second_look(
    page: Page, browser, live_server, context, log_in, nurse, session
) -> None:
    log_in(nurse)
    page.add_init_script(_PAUSES)
    open_page(page, session)
    second = browser.new_context(base_url=str(live_server))
    second.set_default_timeout(1000 * PATIENCE_S)
    second.add_init_script(_PAUSES)
    second.add_cookies(context.cookies())
    other = second.new_page()
    open_page(other, session)
    for writer, reader, text in ((page, other, "from the first"), (other, page, "from the second")):
        note(writer, text)
        wait_for_drained(writer)
        # It is on the server now: the answer to a look under way may lack it, the next one has it.
        for _ in range(2):
            with reader.expect_response(lambda answer: "/bedside/sessions/" in answer.url):
                pass
        wait_until(reader, f"bedside.store.state.entries.some((e) => e.text === '{text}')")
    # Two looks within three seconds, on a line that answers at once.
    looks = other.evaluate("pauses.filter((pause) => pause >= 500)")
    assert looks
    assert max(looks) <= 1500
    second.close()


def test_two_tabs_of_one_tablet_send_each_entry_once(page: Page, context, complaints, log_in, nurse, session) -> None:
    complaints.allow("ERR_INTERNET_DISCONNECTED")
    log_in(nurse)
    open_page(page, session)
    other = context.new_page()
    open_page(other, session)
    context.set_offline(True)
    for number in range(30):
        note(page if number % 2 else other, f"note {number}")
    answers: list[Response] = []
    context.on("response", lambda one: answers.append(one) if one.request.method == "POST" else None)
    context.set_offline(False)
    for tab in (page, other):
        wait_for_drained(tab)
    assert LogEntry.objects.count() == 30
    # An entry for which the server had no time is rightly sent again; one that it had taken is not.
    said = [one["status"] for answer in answers if answer.ok for one in answer.json()["answers"]]
    assert said.count("stored") == 30
    assert "replayed" not in said
    assert len(texts(page)) == len(texts(other)) == 30


def test_clock_that_is_wrong_is_said_and_both_times_are_kept(page: Page, log_in, nurse, session) -> None:
    page.add_init_script("{ const now = Date.now; Date.now = () => now() + 600000; }")
    page.add_init_script(
        "{ const Real = Date; globalThis.Date = class extends Real {"
        " constructor(...a) { a.length ? super(...a) : super(Real.now()); } }; }"
    )
    log_in(nurse)
    open_page(page, session)
    began = time.monotonic()
    note(page, "by a clock ten minutes ahead")
    wait_for_drained(page)
    on_its_way_s = time.monotonic() - began
    row = BedsideEntry.objects.get()
    assert 599 - on_its_way_s <= row.clock_skew_s <= 601
    assert row.captured_at - row.received_at > dt.timedelta(minutes=9)
    expect(page.locator("#bedside-line")).to_contain_text("this tablet's clock is 10 min ahead")
