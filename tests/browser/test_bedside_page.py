"""The bedside page by hand, by keyboard and by scanner: limits, undo, corrections, targets, reduced motion."""

from __future__ import annotations

import datetime as dt

import pytest
from playwright.sync_api import BrowserContext, Page, expect

from procedures.models import ScannedPart, Session
from registry.models import Role, User
from tests import factories as make
from tests.browser.bedside import eventually, wait_until
from tests.browser.hand import Hand

pytestmark = pytest.mark.django_db(transaction=True)
# As a scanner types: every key at once, the separator as Ctrl and ], Enter at the end.
_SCAN = """(text) => {
  const key = (key, ctrlKey = false) =>
    document.body.dispatchEvent(new KeyboardEvent("keydown", {key, ctrlKey, bubbles: true, cancelable: true}));
  for (const one of text) one === "\\x1d" ? key("]", true) : key(one);
  key("Enter");
}"""

# What the page needs at the site's place; a file's name bears its hash.
_MODULES_FETCHED = """["sitepad", "sitedetails", "check", "numberpad"].every((name) =>
  performance.getEntriesByType("resource").some((one) => one.name.includes(`/${name}.`) && one.responseEnd > 0))"""


@pytest.fixture
def nurse() -> User:
    return make.make_user(Role.LAB_STAFF)


@pytest.fixture
def session(nurse: User) -> Session:
    session = make.make_session(make.make_patient(nurse.memberships.get().centre))
    make.make_measurement(make.make_site(make.make_tributary(session), "PL mid", aha_segment=11), impedance_ohm=710)
    return session


@pytest.fixture
def hand(page: Page, log_in, nurse: User, session: Session) -> Hand:
    log_in(nurse)
    hand = Hand(page)
    hand.open(session)
    return hand


def go(page: Page, place: str) -> None:
    page.evaluate("place => (location.hash = place)", place)
    expect(page.locator("body")).to_have_attribute("data-place", place.split("/")[0] or "home")


def measuring(page: Page, session: Session) -> None:
    go(page, f"measure/{session.sites.get().pk}")
    expect(page.locator(".pad h2")).to_have_text("Capture threshold")


def typed(page: Page, text: str) -> None:
    page.locator("#pad-value").fill(text)
    page.locator("#pad-value").press("Enter")


def test_one_tap_logs_and_undo_takes_it_back(hand: Hand, page: Page, session) -> None:
    hand.event("venogram")
    assert hand.count() == 1
    expect(page.locator("[data-kind=venogram] .when")).not_to_be_empty()
    hand.drained()
    assert session.log_entries.count() == 1
    hand.button("Undo Venogram")
    expect(page.locator("[data-kind=venogram] .when")).to_be_empty()
    hand.drained()
    wait_until(page, "bedside.store.state.entries.length === 0")
    assert session.log_entries.count() == 0


def test_undo_is_offered_for_a_minute(hand: Hand, page: Page) -> None:
    hand.event("venogram")
    undo = page.get_by_role("button", name="Undo Venogram")
    expect(undo).to_be_visible()
    page.evaluate("() => { const now = Date.now; Date.now = () => now() + 61_000; }")
    expect(undo).to_be_hidden()


def test_corrected_time_keeps_the_one_first_logged(hand: Hand, page: Page, session) -> None:
    hand.event("access")
    hand.drained()
    first = session.log_entries.get().occurred_at
    hand.tap(page.locator("a.moment"))
    hand.button("−5 min")
    hand.button("Save")
    expect(page.locator(".moments li", has_text="Access")).to_contain_text("first logged")
    hand.drained()
    entry = session.log_entries.get()
    assert entry.first_logged_at == first
    assert first - entry.occurred_at == pytest.approx(dt.timedelta(minutes=5), abs=dt.timedelta(seconds=1))


def test_time_that_is_none_is_refused_in_words(hand: Hand, page: Page, session) -> None:
    hand.event("access")
    hand.tap(page.locator("a.moment"))
    page.get_by_label("Time").fill("25:71")
    hand.button("Save")
    expect(page.get_by_role("alert")).to_contain_text("enter hours, minutes and seconds")


def test_hard_limit_refuses_and_usual_range_asks_once(hand: Hand, page: Page, session) -> None:
    measuring(page, session)
    typed(page, "13")
    expect(page.get_by_role("alert")).to_have_text("Capture threshold: 13 V is not possible. Enter 0.05 to 12 V.")
    typed(page, "9,5")
    expect(page.get_by_role("alert")).to_contain_text("9.5 V is unusual; 0.1 to 7.5 V is usual. Is it correct?")
    hand.button("Yes, it is correct")
    expect(page.locator(".pad h2")).to_have_text("Pulse width")
    expect(page.get_by_role("button", name="Not measured")).to_be_disabled()
    typed(page, "0.5")
    for _ in range(4):
        hand.button("Not measured")
    hand.button("Save")
    expect(page.locator("#last-title")).to_be_visible()  # it is on the tablet
    hand.drained()
    measured = session.sites.get().measurements.last()
    assert (measured.capture_threshold_v, measured.confirmed_unusual) == (9.5, ["capture_threshold_v"])
    assert (measured.impedance_ohm, measured.qrs_duration_ms) == (None, None), "missing stays missing"


@pytest.mark.parametrize("text", ["", "x", "1.2.3", "0x10", "1e3", "٣"])
def test_what_is_no_number_is_said_and_not_guessed(hand: Hand, page: Page, session, text: str) -> None:
    measuring(page, session)
    hand.button("1.25 V")
    typed(page, text)
    expect(page.locator(".pad h2")).to_have_text("Pulse width")
    expect(page.get_by_role("alert")).to_contain_text("enter a number from 0.02 to 3 ms")


def test_what_can_be_two_numbers_or_none_of_the_range_is_said(hand: Hand, page: Page, session) -> None:
    measuring(page, session)
    for text, words in (
        ("1,200", "Capture threshold: 1,200 could mean 1200 or 1.2. Enter it without a comma."),
        ("-1", "Capture threshold: -1 V is not possible. Enter 0.05 to 12 V."),
    ):
        typed(page, text)
        expect(page.locator(".pad h2")).to_have_text("Capture threshold")
        expect(page.get_by_role("alert")).to_have_text(words)


def test_last_value_is_offered_and_nothing_is_chosen_beforehand(hand: Hand, page: Page, session) -> None:
    measuring(page, session)
    expect(page.locator("#pad-value")).to_have_value("")
    assert page.locator("[aria-pressed=true]").count() == 0
    again = page.locator(".tile.again")
    expect(again).to_contain_text("1 V")
    expect(again).to_contain_text("same as before")


def test_whole_site_by_keyboard(hand: Hand, page: Page, session) -> None:
    measuring(page, session)
    expect(page.locator("#pad-value")).to_be_focused()
    for text in ("1.1", "0.5", "12.5", "731"):
        page.keyboard.type(text)
        page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    page.get_by_role("button", name="No stimulation up to", exact=True).focus()
    page.keyboard.press("Enter")
    page.locator("#pad-value").focus()
    page.keyboard.type("10")
    page.keyboard.press("Enter")
    page.keyboard.type("151")
    page.keyboard.press("Enter")
    expect(page.get_by_role("button", name="Save", exact=True)).to_be_focused()
    page.keyboard.press("Enter")
    hand.drained()
    measured = session.sites.get().measurements.last()
    assert (measured.capture_threshold_v, measured.sensed_r_wave_mv, measured.impedance_ohm) == (1.1, 12.5, 731)
    assert (measured.phrenic_none_up_to_v, measured.qrs_duration_ms) == (10, 151)


def test_scanner_types_a_label_that_the_server_reads(hand: Hand, page: Page) -> None:
    page.evaluate(_SCAN, "0109501101530003172909301042ABC7\x1d21DEMO-4242")
    expect(page.get_by_label("Label as scanned")).to_have_value("0109501101530003172909301042ABC7\x1d21DEMO-4242")
    hand.button("LV lead")
    hand.drained()
    # The tap is put into the outbox a moment after it.
    eventually(page, ScannedPart.objects.exists, "the scanned part on the server")
    hand.drained()  # and until its answer is back
    part = ScannedPart.objects.get()
    assert (part.device_identifier, part.lot, part.serial_number) == ("09501101530003", "42ABC7", "DEMO-4242")
    assert "DEMO-4242" not in page.evaluate("JSON.stringify(bedside.store.state)")


def test_hand_that_types_is_no_scanner(hand: Hand, page: Page) -> None:
    page.keyboard.type("0109501", delay=160)
    page.keyboard.press("Enter")
    expect(page.locator("body")).to_have_attribute("data-place", "home")


def test_everything_but_the_signature_works_without_a_line(
    hand: Hand, page: Page, context: BrowserContext, complaints, session
) -> None:
    complaints.allow("ERR_INTERNET_DISCONNECTED")
    # The other places of the page are fetched when the first one stands.
    wait_until(page, _MODULES_FETCHED)
    context.set_offline(True)
    hand.event("venogram")
    expect(page.locator(".moments li").first).to_contain_text("on this tablet")
    hand.tap(page.locator(".places").get_by_role("link", name="New site"))
    hand.tap(page.locator(".veins .tile", has_text="Anterolateral vein"))
    hand.tap(page.locator("path[data-segment='7']"))
    expect(page.locator(".site-name")).to_have_text("AL mid")
    hand.button("1.25 V")
    hand.button("0.5 ms")
    for _ in range(4):
        hand.button("Not measured")
    hand.button("Save")
    expect(page.locator("#last-title")).to_be_visible()
    go(page, "check")
    expect(page.get_by_role("link", name="Sign …")).to_be_hidden()
    context.set_offline(False)
    hand.drained()
    assert session.sites.get(label="AL mid").measurements.get().capture_threshold_v == 1.25
    assert session.log_entries.get().kind == "venogram"


@pytest.mark.parametrize("size", [(768, 1024), (1024, 768), (1440, 900)])
def test_targets_are_large_enough_for_gloves(hand: Hand, page: Page, session, size: tuple[int, int]) -> None:
    page.set_viewport_size({"width": size[0], "height": size[1]})
    site = session.sites.get().pk
    for place in (
        "",
        "site",
        f"measure/{site}",
        f"test/{site}",
        "difficulty",
        "scan",
        "ended",
        "total/contrast_ml",
        "check",
    ):
        go(page, place)
        small = page.evaluate(
            """() => [...document.querySelectorAll("main :is(button, a, input, summary)")]
              .filter((one) => one.offsetParent && one.getBoundingClientRect().height < 64)
              .map((one) => [one.textContent || one.id, one.getBoundingClientRect().height])"""
        )
        assert small == [], place
        timed = page.locator("main :is(.event, .critical):visible").evaluate_all("all => all.map(e => e.offsetHeight)")
        assert all(height >= 96 for height in timed), place
        assert page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth"), place
    assert page.locator("[type=number]").count() == 0


def test_nothing_moves_where_motion_is_not_wanted(hand: Hand, page: Page) -> None:
    page.emulate_media(reduced_motion="reduce")
    assert page.locator(".event").first.evaluate("one => getComputedStyle(one).transitionDuration") == "0s"


def test_focus_follows_to_the_place_and_every_control_has_a_name(hand: Hand, page: Page) -> None:
    hand.link("Difficulty")
    expect(page.get_by_role("heading", name="What was difficult?")).to_be_focused()
    unnamed = page.evaluate(
        """() => [...document.querySelectorAll("main :is(button, a)")].filter(
             (one) => !(one.textContent.trim() || one.getAttribute("aria-label"))).length"""
    )
    assert unnamed == 0


def test_the_decision_shows_the_latest_of_each_value_of_a_site(page: Page, log_in, session) -> None:
    # The impedance was measured before; a threshold came later, and that of another pair last.
    site = session.sites.get()
    make.make_measurement(site, capture_threshold_v=1.2, measured_at=make.START + dt.timedelta(minutes=5))
    other = {"cathode": "LV1", "anode": "Can", "measured_at": make.START + dt.timedelta(minutes=9)}
    make.make_measurement(site, capture_threshold_v=4.5, **other)
    log_in(make.make_user(Role.PHYSICIAN, session.centre))
    Hand(page).open(session)
    go(page, "decision")
    tile = page.locator(".decision-view .tile", has_text="PL mid")
    expect(tile).to_contain_text("threshold 1.2 V")
    expect(tile).to_contain_text("710 Ohm")
    expect(tile).not_to_contain_text("4.5")
