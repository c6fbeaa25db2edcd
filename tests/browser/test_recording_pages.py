"""Uploading a recording, marking its epochs on the trace and analysing it, in a real browser."""

from __future__ import annotations

from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.urls import reverse
from playwright.sync_api import Page, Route, expect

from procedures.models import Epoch, Recording, RunState, Session
from procedures.services.recordings import mark_epoch, store_recording
from registry.models import Role, User
from tests import factories as make
from tests.browser.bedside import fits
from tests.signals import Uploaded, pressure_volume_csv, write

pytestmark = pytest.mark.django_db(transaction=True)
CONTENT = pressure_volume_csv(60)


@pytest.fixture(autouse=True)
def store(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path


@pytest.fixture
def session() -> Session:
    return make.make_session()


@pytest.fixture
def physician(session: Session, log_in) -> User:
    user = make.make_user(Role.PHYSICIAN, session.centre)
    log_in(user)
    return user


@pytest.fixture
def recording(session: Session, physician: User) -> Recording:
    return store_recording(
        by=physician, session=session, upload=Uploaded(CONTENT), original_name="day.csv", started_at=session.started_at
    )


def open_upload(page: Page, session: Session, path: Path) -> None:
    page.goto(reverse("procedures:new_recording", args=[session.pk]))
    page.locator("#id_file").set_input_files(path)
    page.get_by_label("Time of the first sample").fill(f"{make.START:%Y-%m-%dT%H:%M:%S}")


def drawn(page: Page) -> None:
    expect(page.locator("#signals figure[data-state=drawn] .main-svg").first).to_be_visible()


def test_upload_shows_its_progress(page: Page, session, physician, tmp_path) -> None:
    open_upload(page, session, write(tmp_path / "day.csv", CONTENT))
    page.evaluate(
        """() => {
          window.seen = [];
          const bar = document.getElementById("sent-words");
          new MutationObserver(() => window.seen.push(bar.textContent)).observe(bar, {childList: true});
        }"""
    )
    held: list[Route] = []
    page.route("**/recordings/new/", lambda route: held.append(route))
    page.get_by_role("button", name="Upload").click()
    expect(page.get_by_label("Sending the file")).to_be_visible()
    # The file goes first, in parts; then the form that names it.
    expect(page.locator("#sent-words")).to_contain_text("The server is checking the file")
    while not held:
        page.wait_for_timeout(20)
    held.pop().continue_()
    page.wait_for_function("window.seen && window.seen.length > 0")
    expect(page.get_by_role("heading", name="day.csv")).to_be_visible()
    assert Recording.objects.get().session == session


def test_upload_that_is_stopped_stores_nothing(page: Page, complaints, session, physician, tmp_path) -> None:
    open_upload(page, session, write(tmp_path / "day.csv", CONTENT))
    complaints.allow("ERR_")
    page.route("**/recordings/new/", lambda route: None)
    page.get_by_role("button", name="Upload").click()
    page.get_by_role("button", name="Stop sending").click()
    expect(page.locator("#sent-words")).to_have_text("Stopped. Nothing was stored.")
    assert not Recording.objects.exists()


def test_ambiguous_channels_are_asked_for_and_the_file_stays_chosen(
    page: Page, complaints, session, physician, tmp_path
) -> None:
    content = CONTENT.replace(b"P_LV [mmHg],V_LV [mL]", b"LV pressure [mmHg],LVP [mmHg]")
    open_upload(page, session, write(tmp_path / "day.csv", content))
    complaints.allow("422")
    page.get_by_role("button", name="Upload").click()
    expect(page.locator(".error-summary")).to_be_focused()
    assert Axe().run(page).violations_count == 0
    page.get_by_label("Left-ventricular pressure").select_option("LVP")
    page.get_by_role("button", name="Upload").click()
    expect(page.get_by_role("heading", name="day.csv")).to_be_visible()
    assert Recording.objects.get().mapping == {"P_LV": "LVP"}


@pytest.mark.parametrize("theme", ["bright", "dark"])
def test_page_of_a_recording_is_drawn_and_accessible(page: Page, recording, physician, theme: str) -> None:
    site = make.make_site(make.make_tributary(recording.session), "PL mid")
    mark_epoch(by=physician, recording=recording, site=None, start_s=0, end_s=20)
    mark_epoch(by=physician, recording=recording, site=site, start_s=25, end_s=50)
    page.add_init_script(f"localStorage.setItem('tributary-theme', '{theme}')")
    for name in ("recording", "channels", "new_recorded_epoch"):
        page.goto(reverse(f"procedures:{name}", args=[recording.pk]))
        if name == "recording":
            drawn(page)
            expect(page.locator("#signals svg").get_by_text("PL mid")).to_be_visible()
            for summary in page.locator("details > summary").all():
                summary.click()
        results = Axe().run(page)
        assert results.violations_count == 0, results.generate_report()
        for width, height in [(768, 1024), (1024, 768), (1440, 900)]:
            page.set_viewport_size({"width": width, "height": height})
            fits(page)


def test_trace_is_moved_by_buttons_and_by_seconds(page: Page, recording) -> None:
    page.goto(reverse("procedures:recording", args=[recording.pk]))
    drawn(page)
    start, end = page.locator("#window-start"), page.locator("#window-end")
    start.fill("10")
    end.fill("20,5")
    page.get_by_role("button", name="Show", exact=True).click()
    expect(end).to_have_value("20.5")
    page.get_by_role("button", name="Later").click()
    expect(start).to_have_value("18.4")
    page.get_by_role("button", name="Whole recording").click()
    expect(start).to_have_value("0.0")
    expect(end).to_have_value("60.0")


@pytest.mark.parametrize(
    ("start", "end", "words"),
    [
        ("1,200", "20", "1,200 could mean 1200 or 1.2. Enter it without a comma."),
        ("0x10", "20", "Enter seconds, such as 12.5."),
        ("", "20", "Enter seconds, such as 12.5."),
        ("20", "10", "The end must be after the start."),
    ],
)
def test_seconds_that_are_none_are_said(page: Page, recording, start: str, end: str, words: str) -> None:
    page.goto(reverse("procedures:recording", args=[recording.pk]))
    drawn(page)
    page.locator("#window-start").fill(start)
    page.locator("#window-end").fill(end)
    page.get_by_role("button", name="Show", exact=True).click()
    expect(page.locator("#window-problem")).to_have_text(words)
    page.locator("#window-start").fill("1.5")
    page.locator("#window-end").fill("20")
    page.get_by_role("button", name="Show", exact=True).click()
    expect(page.locator("#window-problem")).to_be_hidden()
    expect(page.locator("#window-start")).to_have_value("1.5")


def test_two_taps_on_the_trace_set_an_epoch_that_is_then_analysed(page: Page, recording, session) -> None:
    page.goto(reverse("procedures:recording", args=[recording.pk]))
    drawn(page)
    area = page.locator("#signals .draglayer .nsewdrag").first
    area.scroll_into_view_if_needed()
    box = area.bounding_box()
    assert box
    page.mouse.click(box["x"] + box["width"] * 10 / 60, box["y"] + 20)
    expect(page.locator("#tapped")).to_contain_text("Tap where the epoch ends")
    page.mouse.click(box["x"] + box["width"] * 50 / 60, box["y"] + 20)
    assert float(page.locator("#mark [name=start_s]").input_value()) == pytest.approx(10, abs=0.3)
    assert float(page.locator("#mark [name=end_s]").input_value()) == pytest.approx(50, abs=0.3)
    page.locator("#mark [name=state]").select_option("baseline")
    page.get_by_role("button", name="Mark the epoch").click()
    expect(page.get_by_text("Epoch marked.")).to_be_visible()
    page.get_by_role("button", name="Analyse", exact=True).click()
    expect(page.locator("#progress .mark")).to_have_text("done")
    epoch = Epoch.objects.get()
    assert recording.runs.get().state == RunState.DONE
    assert epoch.metrics.filter(key="dpdt_max_mmhg_per_s", origin="computed").exists()
    page.goto(reverse("procedures:session", args=[session.pk]))
    expect(page.locator("#epochs tbody tr")).to_contain_text("computed")


def test_figure_that_cannot_be_loaded_says_so_in_words(page: Page, complaints, recording) -> None:
    complaints.allow("500|Failed to load")
    page.route("**/signals.json*", lambda route: route.fulfill(status=500))
    page.goto(reverse("procedures:recording", args=[recording.pk]))
    expect(page.locator("#signals .state")).to_contain_text("The figure could not be loaded")
