"""A whole case at the bedside page: 60 entries, 5 sites, from opening to signature, in portrait and landscape.

Bounds, as the page was asked for: an event is one tap; a site, its position and six numbers, at most 12 taps and keys
and two seconds of the page's own work, counted so that it is the same on a busy machine.
"""

from __future__ import annotations

from weakref import WeakKeyDictionary

import pytest
from playwright.sync_api import CDPSession, Page, expect

from procedures.models import Session, Status
from registry.models import Role, User
from tests import factories as make
from tests.browser.hand import Hand

pytestmark = pytest.mark.django_db(transaction=True)
SIZES = {"portrait": {"width": 768, "height": 1024}, "landscape": {"width": 1024, "height": 768}}
# Vein, segment, then threshold, pulse width, R wave, impedance (two taps), phrenic, QRS (two taps).
SITES = [
    ("Posterolateral vein", 11, "1.25", "0.5", "12", "700", "720", "10", "150", "152"),
    ("Posterolateral vein", 5, "0.75", "0.5", "14", "600", "640", "10", "150", "158"),
    ("Lateral (left marginal) vein", 12, "2.5", "0.5", "9", "800", "830", "7.5", "140", "146"),
    ("Lateral (left marginal) vein", 6, "1.5", "0.5", "11", "700", "700", "10", "150", "151"),
    ("Anterolateral vein", 7, "1", "0.5", "8", "900", "910", "8", "160", "164"),
]
MOST_A_SITE, SECONDS_A_SITE = 12, 2
ENTRIES = 60
# Everything but the sites: one tap an event, and few more where something is added to it.
MOST_ALTOGETHER = 220
_CLOCKS: WeakKeyDictionary[Page, CDPSession] = WeakKeyDictionary()


@pytest.fixture
def physician() -> User:
    return make.make_user(Role.PHYSICIAN, password=make.PASSWORD)


@pytest.fixture
def session(physician: User) -> Session:
    centre = physician.memberships.get().centre
    return make.make_session(make.make_patient(centre, by=physician), by=physician)


def work_s(page: Page) -> float:
    """Return the processor time that the page's own thread has used since it was first asked, s."""
    if page not in _CLOCKS:
        _CLOCKS[page] = page.context.new_cdp_session(page)
        _CLOCKS[page].send("Performance.enable", {"timeDomain": "threadTicks"})
    metrics = _CLOCKS[page].send("Performance.getMetrics")["metrics"]
    return next(one["value"] for one in metrics if one["name"] == "TaskDuration")


def enter_site(hand: Hand, site: tuple) -> None:
    vein, segment, threshold, width, r_wave, hundreds, impedance, phrenic, tens, qrs = site
    page = hand.page
    worked, before = work_s(page), hand.count()
    hand.tap(page.locator(".places").get_by_role("link", name="New site"))
    hand.tap(page.locator(".veins .tile", has_text=vein))
    hand.tap(page.locator(f"path[data-segment='{segment}']"))
    expect(page.locator(".pad h2")).to_have_text("Capture threshold")
    for value, unit in ((threshold, "V"), (width, "ms"), (r_wave, "mV")):
        hand.tap(page.get_by_role("button", name=f"{value} {unit}", exact=True))
    hand.tap(page.get_by_role("button", name=f"{hundreds} Ohm and more"))
    hand.tap(page.get_by_role("button", name=f"{impedance} Ohm", exact=True))
    quiet = page.get_by_role("group", name="No phrenic stimulation up to, values")
    hand.tap(quiet.get_by_role("button", name=f"{phrenic} V", exact=True))
    hand.tap(page.get_by_role("button", name=f"{tens} ms and more"))
    hand.tap(page.get_by_role("button", name=f"{qrs} ms", exact=True))
    hand.button("Save")
    expect(page.locator("#last-title")).to_be_visible()
    assert hand.count() - before <= MOST_A_SITE, f"{hand.count() - before} taps for {vein}"
    assert work_s(page) - worked <= SECONDS_A_SITE


@pytest.mark.parametrize("held", SIZES)
def test_whole_case_from_opening_to_signature(page: Page, log_in, physician, session, held: str) -> None:
    page.set_viewport_size(SIZES[held])
    log_in(physician)
    hand = Hand(page)
    hand.open(session)
    for kind in ("access", "cs_cannulated", "venogram"):
        hand.event(kind)
    hand.event("contrast")
    hand.tile("20")
    hand.event("drug")
    hand.type(page.get_by_label("Which drug, how much?"), "Heparin 5000 IU", then="Enter")
    expect(page.locator(".detail")).to_be_hidden()

    for number, site in enumerate(SITES):
        hand.event("site_reached")
        enter_site(hand, site)
        for kind in ("recording", "test_stimulation", "recording", "test_stimulation"):
            hand.event(kind)
        if number == 2:
            difficulty(hand)
            step_down(hand)

    hand.event("fluoroscopy")
    hand.type(page.locator("#pad-value"), "12.4", then="Enter")
    hand.event("adverse_event")
    hand.button("Haematoma")
    expect(page.locator(".detail")).to_be_hidden()
    while page.evaluate(f"bedside.store.state.entries.length < {ENTRIES - 14}"):
        hand.event("test_stimulation")
    hand.event("decision")
    hand.event("access_closed")
    close(hand)

    hand.drained()
    assert hand.count() <= MOST_ALTOGETHER
    sign(hand, physician)

    session.refresh_from_db()
    assert session.status == Status.SIGNED
    assert (session.outcome, session.contrast_ml, session.fluoroscopy_min) == ("lv_lead_implanted", 20, 12.4)
    assert session.sites.count() == 5
    assert [site.label for site in session.sites.all()] == ["PL mid", "PL basal", "LAT mid", "LAT basal", "AL mid"]
    assert session.tributaries.count() == 3, "a vein is entered once"
    measured = session.sites.get(label="LAT mid").measurements.get()
    assert (measured.capture_threshold_v, measured.impedance_ohm, measured.qrs_duration_ms) == (2.5, 830, 146)
    assert (measured.phrenic_none_up_to_v, measured.phrenic_threshold_v) == (7.5, None)
    written = session.log_entries.count() + 5 + 5 + session.difficulties.count() + session.decisions.count() + 1
    assert written >= ENTRIES
    test = session.sites.get(label="LAT mid").threshold_tests.get()
    assert (test.capture_threshold_v, test.lost_at_v) == (2.5, 2)
    print(f"{held}: {written} entries, {hand.taps} taps and {hand.keys} keys")


def difficulty(hand: Hand) -> None:
    hand.link("Difficulty")
    hand.button("Tortuosity")
    hand.button("Lateral (left marginal) vein")
    hand.button("Save")
    expect(hand.page.locator("#last-title")).to_be_visible()


def step_down(hand: Hand) -> None:
    hand.link("Threshold test")
    hand.link("LAT mid")
    hand.tap(hand.page.get_by_role("button", name="0.5 ms", exact=True))
    hand.button("3 V")
    hand.button("Captured")
    hand.button("Captured")
    hand.button("Loss of capture")
    hand.button("Save")
    expect(hand.page.locator("#last-title")).to_be_visible()


def close(hand: Hand) -> None:
    """Go through the list of what is missing, as far as the page itself can."""
    page = hand.page
    hand.drained()
    hand.tap(page.locator(".places").get_by_role("link", name="Check and sign"))
    hand.tap(page.locator(".answers-list a", has_text="Outcome"))
    hand.button("LV lead implanted")
    for question, offered in (("Contrast", "sum of the log"), ("Fluoroscopy time", "last reading")):
        hand.tap(page.locator(".answers-list a", has_text=question))
        hand.tile(offered)
    hand.tap(page.locator(".answers-list a", has_text="Decision"))
    expect(page.locator(".decision-view .caution")).to_contain_text("does not replace the judgement")
    hand.tap(page.locator(".decision-view .tile", has_text="PL mid"))
    hand.button("Best measured response")
    hand.button("Record the decision")
    expect(page.locator("#last-title")).to_be_visible()


def sign(hand: Hand, physician: User) -> None:
    page = hand.page
    hand.tap(page.locator(".places").get_by_role("link", name="Check and sign"))
    hand.link("Sign …")
    hand.tap(page.get_by_role("checkbox"))
    hand.type(page.get_by_label("Your password"), make.PASSWORD)
    hand.button(f"Sign as {physician}")
    expect(page.get_by_text("is signed. Later changes need a reason.")).to_be_visible()
