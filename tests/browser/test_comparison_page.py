"""The comparison and the report in a real browser: drawn under the strict policy, accessible, kept up to date."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.urls import reverse
from playwright.sync_api import Page, expect

from procedures.models import Session
from procedures.services.decisions import record_decision
from registry.models import Role, User
from tests.browser.bedside import fits
from tests.factories import (
    enter,
    make_epoch,
    make_measurement,
    make_session,
    make_site,
    make_tributary,
    make_user,
    writer_of,
)
from tests.procedures.comparing import KEY, recorded_session, typed_session

pytestmark = pytest.mark.django_db(transaction=True)
SIZES = [(768, 1024), (1024, 768), (1440, 900)]


@pytest.fixture
def visit(page: Page, log_in: Callable[[User], None]) -> Callable[..., Page]:
    """Return a function that opens a page of a session as its physician."""

    def visit(session: Session, name: str = "comparison", theme: str = "bright") -> Page:
        log_in(make_user(Role.PHYSICIAN, session.centre))
        page.add_init_script(f"localStorage.setItem('tributary-theme', '{theme}')")
        page.goto(reverse(f"procedures:{name}", args=[session.pk]))
        return page

    return visit


def _drawn(page: Page, count: int) -> None:
    expect(page.locator("figure.plot[data-state=drawn] .main-svg").first).to_be_visible()
    expect(page.locator("figure.plot[data-state=drawn]")).to_have_count(count)


def _open_all(page: Page) -> None:
    for summary in page.locator("details > summary").all():
        summary.click()


def _no_axe_violations(page: Page) -> None:
    results = Axe().run(page)
    assert results.violations_count == 0, results.generate_report()


@pytest.mark.parametrize("theme", ["bright", "dark"])
def test_comparison_is_drawn_accessible_and_fits_every_screen(visit: Callable[..., Page], theme: str) -> None:
    session = recorded_session({"PL-mid": 12.0, "LAT-mid": 4.0})
    make_measurement(session.sites.get(label="LAT-mid"), phrenic_threshold_v=1.5)
    page = visit(session, theme=theme)
    assert page.evaluate("document.documentElement.dataset.theme") == theme
    _drawn(page, 1)
    _open_all(page)
    _drawn(page, 5)
    for width, height in SIZES:
        page.set_viewport_size({"width": width, "height": height})
        fits(page)
        _no_axe_violations(page)


def test_headline_is_large_enough_to_read_from_across_the_room(visit: Callable[..., Page]) -> None:
    page = visit(typed_session({"PL-mid": 12.0, "LAT-mid": 4.0}))
    size = page.locator("#answer").evaluate("e => parseFloat(getComputedStyle(e).fontSize)")
    advice = page.locator(".answer-certainty").first.evaluate("e => parseFloat(getComputedStyle(e).fontSize)")
    assert size >= 32
    assert advice >= 19


def test_metric_is_switched_in_place_and_kept_in_the_address(visit: Callable[..., Page]) -> None:
    session = typed_session({"PL-mid": 12.0, "LAT-mid": 4.0})
    for epoch in session.epochs.select_related("site"):
        gain = {None: 0, "PL-mid": 2, "LAT-mid": 9}[epoch.site and epoch.site.label]
        enter(epoch, "sv_ml", 60 * (1 + gain / 100))
    page = visit(session)
    expect(page.locator("#answer")).to_contain_text("PL-mid leads: dP/dt max")
    page.get_by_role("link", name="Stroke volume").click()
    expect(page.locator("#answer")).to_contain_text("LAT-mid leads: stroke volume")
    assert page.url.endswith("?metric=sv_ml")
    _drawn(page, 1)
    page.get_by_label("All metrics").select_option("dP/dt max")
    expect(page.locator("#answer")).to_contain_text("PL-mid leads: dP/dt max")
    page.go_back()
    expect(page.locator("#answer")).to_contain_text("LAT-mid leads: stroke volume")
    expect(page.get_by_role("heading", name="Comparison of sites")).to_be_visible()
    _drawn(page, 1)


def test_open_page_follows_what_another_device_saves(visit: Callable[..., Page]) -> None:
    session = typed_session({"PL-mid": 9.0, "LAT-mid": 4.0}, visits=1)
    page = visit(session)
    expect(page.locator("#answer")).to_contain_text("PL-mid leads")
    page.locator("#reasoning > summary").click()
    _drawn(page, 2)
    lateral = session.sites.get(label="LAT-mid")
    for start, site, value in ((600, lateral, 960.0), (660, None, 800.0), (720, lateral, 960.0), (780, None, 800.0)):
        enter(make_epoch(session, site, start_s=start), KEY, value)
    expect(page.locator("#answer")).to_contain_text("LAT-mid leads")
    expect(page.locator("#said")).to_contain_text("LAT-mid leads")
    expect(page.locator("#reasoning")).to_have_attribute("open", "")
    _drawn(page, 2)


def test_loops_can_be_hidden_and_shown_by_their_names(visit: Callable[..., Page]) -> None:
    page = visit(recorded_session({"PL-mid": 12.0, "LAT-mid": 4.0}))
    page.locator("#loops > summary").click()
    _drawn(page, 3)
    loops = page.locator("#loops figure.plot").first
    expect(loops.locator(".scatterlayer .trace")).to_have_count(3)
    loops.locator(".legendtoggle").nth(2).click()
    expect(loops.locator(".scatterlayer .trace")).to_have_count(2)


def test_page_without_script_shows_the_answer_the_tables_and_a_way_to_switch(
    visit: Callable[..., Page], browser: Any, context: Any, live_server: Any
) -> None:
    session = typed_session({"PL-mid": 12.0, "LAT-mid": 4.0})
    visit(session)
    plain = browser.new_context(
        base_url=str(live_server), java_script_enabled=False, storage_state=context.storage_state()
    )
    page = plain.new_page()
    page.goto(reverse("procedures:comparison", args=[session.pk]))
    expect(page.locator("#answer")).to_contain_text("PL-mid leads")
    expect(page.locator("#response-table")).to_be_visible()
    page.get_by_role("button", name="Show").click()
    assert page.url.endswith(f"?metric={KEY}")
    plain.close()


@pytest.mark.parametrize("kind", ["empty", "no baseline", "twelve sites"])
def test_unusual_sessions_are_accessible_too(visit: Callable[..., Page], kind: str) -> None:
    if kind == "twelve sites":
        session = typed_session({f"Site number {i} of twelve": float(i) for i in range(12)}, visits=1)
    else:
        session = make_session()
        if kind == "no baseline":
            enter(make_epoch(session, make_site(make_tributary(session), "A")), KEY, 900)
    page = visit(session)
    expect(page.locator("#answer")).to_be_visible()
    page.set_viewport_size({"width": 768, "height": 1024})
    fits(page)
    _no_axe_violations(page)


def test_report_prints_on_two_sheets_without_the_page_around_it(visit: Callable[..., Page]) -> None:
    session = recorded_session({"PL-mid": 12.0, "LAT-mid": 4.0, "AL-mid": 1.0, "AL-basal": 2.0})
    for site in session.sites.all():
        make_measurement(site, phrenic_none_up_to_v=10.0, qrs_duration_ms=150.0)
    site = session.sites.get(label="PL-mid")
    record_decision(by=writer_of(session.centre), session=session, site=site, reason="Best and stable.")
    page = visit(session, "report")
    _no_axe_violations(page)
    page.emulate_media(media="print")
    expect(page.locator(".masthead")).to_be_hidden()
    expect(page.locator(".caution")).to_be_visible()
    expect(page.get_by_role("img", name=re.compile("17-segment polar diagram"))).to_be_visible()
    printed = page.pdf(prefer_css_page_size=True)
    sheets = [int(n) for n in re.findall(rb"/Type\s*/Pages[^>]*?/Count (\d+)|/Count (\d+)", printed)[0] if n]
    assert sheets
    assert sheets[0] <= 2


def test_captions_stay_in_sight_while_a_wide_table_scrolls(visit: Callable[..., Page]) -> None:
    session = typed_session({"PL-mid": 12.0, "LAT-mid": 4.0})
    make_measurement(session.sites.get(label="LAT-mid"), phrenic_threshold_v=1.5)
    page = visit(session)
    page.set_viewport_size({"width": 768, "height": 1024})
    table = page.locator(".scroll", has=page.locator("#response-table"))
    assert table.evaluate("(one) => one.scrollWidth > one.clientWidth"), "the table no longer scrolls here"
    for end in (0, 10_000):
        table.evaluate("(one, end) => one.scrollTo(end, 0)", end)
        caption, window = page.locator("#response-caption").bounding_box(), table.bounding_box()
        assert caption
        assert window
        assert caption["x"] >= window["x"] - 1
        assert caption["x"] + caption["width"] <= window["x"] + window["width"] + 1
