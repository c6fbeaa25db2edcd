"""The pages of a session in a real browser: by keyboard alone, accessible, under the strict policy, on every screen."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.urls import reverse
from playwright.sync_api import Page, expect

from procedures.models import EntryKind, Session, Status
from procedures.services.sessions import log
from registry.models import Role, User
from tests import factories as make
from tests.browser.keyboard import choose, press, reach, tick, type_into

pytestmark = pytest.mark.django_db(transaction=True)
SIZES = [(768, 1024), (1024, 768), (1440, 900)]


@pytest.fixture
def physician() -> User:
    return make.make_user(Role.PHYSICIAN, password=make.PASSWORD)


@pytest.fixture
def patient(physician: User):
    return make.make_patient(physician.memberships.get().centre, by=physician, local_identifier="HOSP-4711")


def full_session(physician: User, patient) -> Session:
    """Open a session with everything that a page can show: 60 entries, concerns, a site not reached, missing values."""
    session = make.make_session(patient, by=physician)
    tributary = make.make_tributary(session)
    make.make_tributary(session, "posterior")
    doubtful = make.make_site(tributary, "PL mid", stability="unstable", aha_segment=11)
    make.make_measurement(doubtful, capture_threshold_v=3.1, phrenic_threshold_v=4.0)
    make.make_site(tributary, "PL with a name as long as the field lets", reached=True)
    make.make_site(tributary, "PL far", reached=False, not_reached_reason="tortuosity")
    for number in range(8):
        make.enter(make.make_epoch(session, doubtful if number % 2 else None, start_s=60 * number), mean=900 + number)
    for number in range(60):
        at = make.START + dt.timedelta(seconds=20 * number)
        log(by=physician, session=session, kind=EntryKind.NOTE, text=f"note {number}", occurred_at=at)
    return session


def addresses(session: Session) -> list[str]:
    """Return the address of every page of a session and around it."""
    site = session.sites.get(label="PL mid")
    epoch, entry, measurement = session.epochs.first(), session.log_entries.first(), site.measurements.first()
    names = (
        "session",
        "session_details",
        "new_log_entry",
        "new_site",
        "new_epoch",
        "new_recording",
        "decision",
        "sign",
    )
    return [
        reverse("procedures:sessions"),
        reverse("procedures:new_session"),
        *(reverse(f"procedures:{name}", args=[session.pk]) for name in names),
        reverse("procedures:site", args=[session.pk, site.pk]),
        reverse("procedures:new_measurement", args=[session.pk, site.pk]),
        reverse("procedures:measurement", args=[session.pk, site.pk, measurement.pk]),
        reverse("procedures:epoch", args=[session.pk, epoch.pk]),
        reverse("procedures:log_entry", args=[session.pk, entry.pk]),
    ]


def assert_accessible(page: Page, **options: object) -> None:
    results = Axe().run(page, options={"resultTypes": ["violations"], **options})
    assert results.violations_count == 0, f"{page.url}\n{results.generate_report()}"


def assert_fits(page: Page) -> None:
    assert page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth") <= 0, page.url


def test_every_page_is_accessible_and_fits_every_screen(page: Page, log_in, physician, patient) -> None:
    session = full_session(physician, patient)
    page.add_init_script("localStorage.setItem('tributary-theme', 'bright')")
    page.goto(reverse("login"))
    assert page.evaluate("document.documentElement.dataset.theme") == "bright"
    assert_accessible(page)
    log_in(physician)
    for address in addresses(session):
        page.goto(address)
        for summary in page.locator("details > summary").all():
            summary.click()
        assert_accessible(page)
        # The themes differ in nothing but colours.
        page.evaluate("document.documentElement.dataset.theme = 'dark'")
        assert_accessible(page, runOnly={"type": "rule", "values": ["color-contrast", "link-in-text-block"]})
        for width, height in SIZES:
            page.set_viewport_size({"width": width, "height": height})
            assert_fits(page)


def test_targets_are_large_enough_for_gloves(page: Page, log_in, physician, patient) -> None:
    session = full_session(physician, patient)
    log_in(physician)
    for address in addresses(session):
        page.goto(address)
        small = page.evaluate(
            """() => [...document.querySelectorAll("main :is(button, .button, input:not([type=hidden]), select)")]
              .filter(e => e.offsetParent && !["checkbox", "radio"].includes(e.type))
              .map(e => [e.textContent.trim() || e.name, e.getBoundingClientRect().height])
              .filter(([, height]) => height < 48)"""
        )
        assert small == [], address
        low = page.locator("button.bedside:visible").evaluate_all("all => all.map(e => e.offsetHeight)")
        assert all(height >= 64 for height in low), address


def test_whole_typed_session_by_keyboard_only(page: Page, physician, patient) -> None:
    page.goto("/")
    type_into(page, "User name", physician.username)
    type_into(page, "Password", make.PASSWORD)
    press(page, "Log in")
    press(page, "New session", role="link")
    type_into(page, "Patient", "HOSP-4711")
    expect(page.locator("#patient-meant")).to_contain_text(patient.code)
    tick(page, "Kind of procedure", "Upgrade")
    tick(page, "Baseline that sites are compared with", "Right-ventricular pacing")
    press(page, "Open the session")

    choose(page, "Event", "Venogram")
    type_into(page, "Remark", "Two projections")
    press(page, "Log event")

    press(page, "New site", role="link")
    choose(page, "Tributary", "Posterolateral")
    type_into(page, "Name of the site", "PL mid")
    tick(page, "Position on the long axis", "Mid")
    tick(page, "Was the position reached?", "Reached")
    press(page, "Save and measure")
    type_into(page, "Capture threshold", "1,1")
    type_into(page, "Pulse width", "0.5")
    type_into(page, "Impedance", "720")
    type_into(page, "No phrenic stimulation up to", "10")
    press(page, "Save")

    for state, volume in (("Baseline", "50"), ("PL mid", "54"), ("Baseline", "51"), ("PL mid", "55")):
        press(page, "Enter an epoch", role="link")
        choose(page, "State", state)
        type_into(page, "Duration", "30")
        type_into(page, "Stroke volume, mean, mL", volume)
        type_into(page, "Stroke volume, SD, mL", "2")
        type_into(page, "Stroke volume, beats", "30")
        press(page, "Save")

    press(page, "Decision", role="link")
    choose(page, "Site chosen", "PL mid")
    type_into(page, "Reason", "Gain with a safe threshold")
    press(page, "Record the decision")
    press(page, "Change details", role="link")
    choose(page, "Outcome of the session", "LV lead implanted")
    type_into(page, "Contrast", "60")
    press(page, "Save")
    press(page, "Check and sign", role="link")
    reach(page, page.get_by_role("checkbox"))
    page.keyboard.press("Space")
    type_into(page, "Your password", make.PASSWORD)
    press(page, f"Sign as {physician}")

    session = Session.objects.get()
    assert session.status == Status.SIGNED
    assert session.sites.get().measurements.get().capture_threshold_v == 1.1
    assert session.epochs.count() == 4
    assert session.contrast_ml == 60
    assert session.responses.filter(metric="sv_ml").count() == 1
    assert session.decisions.get().site.label == "PL mid"


def test_problem_takes_the_focus_and_leads_to_its_field(page: Page, log_in, complaints, physician, patient) -> None:
    session = make.make_session(patient, by=physician)
    complaints.allow("422")
    log_in(physician)
    page.goto(reverse("procedures:new_site", args=[session.pk]))
    page.get_by_role("button", name="Save", exact=True).click()
    expect(page.locator(".error-summary")).to_be_focused()
    assert page.title().startswith("To correct: ")
    assert_accessible(page)
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    expect(page.get_by_label("Tributary")).to_be_focused()
    page.locator(".error-summary a", has_text="Was the position reached?").click()
    expect(page.get_by_role("radio", name="Reached", exact=True)).to_be_focused()


def test_two_versions_are_shown_and_one_is_chosen(
    page: Page, context, log_in: Callable[[User], None], complaints, physician, patient
) -> None:
    session = full_session(physician, patient)
    site = session.sites.get(label="PL mid")
    complaints.allow("409")
    log_in(physician)
    address = reverse("procedures:site", args=[session.pk, site.pk])
    page.goto(address)
    other = context.new_page()
    other.goto(address)
    other.get_by_label("Cathode").fill("LV2")
    other.get_by_role("button", name="Save", exact=True).click()
    expect(other.get_by_text("Site saved.")).to_be_visible()
    page.get_by_label("Cathode").fill("LV3")
    page.get_by_role("button", name="Save", exact=True).click()
    row = page.get_by_role("row", name="Cathode")
    expect(row).to_contain_text("LV3")
    expect(row).to_contain_text("LV2")
    assert_accessible(page)
    page.get_by_role("button", name="Replace with my entry").click()
    expect(page.get_by_text("Site saved.")).to_be_visible()
    site.refresh_from_db()
    assert site.cathode == "LV3"


def test_double_press_writes_once(page: Page, log_in, physician, patient) -> None:
    session = make.make_session(patient, by=physician)
    log_in(physician)
    page.goto(reverse("procedures:session", args=[session.pk]))
    page.locator("select").and_(page.get_by_label("Event")).select_option("note")
    page.get_by_role("button", name="Log event").dblclick()
    expect(page.get_by_text("Entry logged.").first).to_be_visible()
    assert session.log_entries.count() == 1


def test_theme_is_switched_and_remembered(page: Page, log_in, physician) -> None:
    log_in(physician)
    page.goto(reverse("procedures:sessions"))
    before = page.evaluate("getComputedStyle(document.body).color")
    page.get_by_role("button", name="Dark room").click()
    assert page.evaluate("getComputedStyle(document.body).color") != before
    page.reload()
    expect(page.locator("html")).to_have_attribute("data-theme", "dark")
    expect(page.get_by_role("button", name="Bright")).to_be_visible()


def test_skip_link_is_first_and_leads_to_the_content(page: Page, log_in, physician) -> None:
    log_in(physician)
    page.goto(reverse("procedures:sessions"))
    page.keyboard.press("Tab")
    skip = page.get_by_role("link", name="Skip to main content")
    expect(skip).to_be_focused()
    expect(skip).to_be_in_viewport()
    page.keyboard.press("Enter")
    expect(page.locator("main")).to_be_focused()
