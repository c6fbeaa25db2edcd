"""Beats on the trace, judged by tap and by keyboard, and the calibration of volumes, in a real browser."""

from __future__ import annotations

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.urls import reverse
from playwright.sync_api import Page, expect

from procedures.models import BeatOverride, Calibration, Recording
from procedures.services.analysis import start_analysis
from procedures.services.recordings import mark_epoch, store_recording
from procedures.services.sessions import sign_session
from registry.models import Role, User
from tests import factories as make
from tests.browser.bedside import fits
from tests.signals import Uploaded, conductance_csv, pressure_volume_csv

pytestmark = pytest.mark.django_db(transaction=True)
# From 24 s on the pressure is higher, so that refusing a beat after it moves the average loop.
VOLUMES, CONDUCTANCES = pressure_volume_csv(40, change_at_s=24.0, factor=1.2), conductance_csv(40)
DRAWN_LOOP = "JSON.stringify(document.querySelector('#loops .target').data[0].y)"


@pytest.fixture
def physician(log_in) -> User:
    user = make.make_user(Role.PHYSICIAN)
    log_in(user)
    return user


@pytest.fixture
def store(settings, tmp_path, physician: User):
    settings.MEDIA_ROOT = tmp_path
    session = make.make_session(make.make_patient(physician.memberships.get().centre, by=physician), by=physician)

    def stored(content: bytes) -> Recording:
        recording = store_recording(
            by=physician,
            session=session,
            upload=Uploaded(content),
            original_name="day.csv",
            started_at=session.started_at,
        )
        mark_epoch(by=physician, recording=recording, site=None, start_s=14, end_s=34)
        start_analysis(by=physician, recording=recording)
        return recording

    return stored


def look(page: Page, recording: Recording, start: float, end: float) -> None:
    page.goto(f"{reverse('procedures:recording', args=[recording.pk])}?start={start}&end={end}")
    expect(page.locator("#signals figure[data-state=drawn] .main-svg").first).to_be_visible()
    expect(page.locator("#loops[data-state=drawn] .main-svg").first).to_be_visible()
    expect(page.locator("#beat-list table")).to_be_visible()


def mark_of(page: Page, time_s: float) -> tuple[float, float]:
    """Where on the screen the mark of a beat is."""
    x, y = page.evaluate(
        """(time) => {
          const target = document.querySelector("#signals .target");
          target.scrollIntoView({block: "center"});
          const layout = target._fullLayout, box = target.getBoundingClientRect(), strip = layout.yaxis3;
          const [low, high] = layout.xaxis.range;
          const x = box.left + layout.xaxis._offset + layout.xaxis._length * (time - low) / (high - low);
          return [x, box.top + strip._offset + strip._length / 2];
        }""",
        time_s,
    )
    return x, y


def button_of(page: Page, time_s: float):
    return page.locator(f"#beat-list button[data-beat='{time_s:.4f}']")


def used_beats(recording: Recording) -> list[float]:
    columns = recording.epochs.get().beats.columns
    return [time for time, refused in zip(columns["time_s"], columns["refused"], strict=True) if not refused]


def test_beat_is_refused_and_used_again_by_tap_and_the_loops_follow(page: Page, store) -> None:
    recording = store(VOLUMES)
    beat = next(time for time in used_beats(recording) if time > 26)
    look(page, recording, 22, 34)
    before, beats = page.evaluate(DRAWN_LOOP), len(used_beats(recording))
    cell = page.locator("#numbers .used")
    expect(cell).to_have_text(str(beats))

    page.mouse.click(*mark_of(page, beat))
    expect(page.get_by_text("The beat has been changed")).to_be_visible()
    expect(button_of(page, beat)).to_contain_text("Use")
    expect(button_of(page, beat).locator("xpath=ancestor::tr")).to_contain_text("excluded by hand")
    expect(page.locator("#window-start")).to_have_value("22.0")
    expect(page.locator("#loops[data-state=drawn]")).to_be_visible()
    expect(page.locator("#numbers .used")).to_have_text(str(beats - 1))
    assert page.evaluate(DRAWN_LOOP) != before
    assert BeatOverride.objects.get().counts is False
    assert page.locator("#mark [name=start_s]").input_value() == ""

    page.mouse.click(*mark_of(page, beat))
    expect(button_of(page, beat)).to_contain_text("Exclude")
    expect(page.locator("#loops[data-state=drawn]")).to_be_visible()
    assert page.evaluate(DRAWN_LOOP) == before
    assert BeatOverride.objects.get().counts is True


def test_beat_is_judged_by_keyboard_with_a_note_and_left_to_the_program(page: Page, store) -> None:
    recording = store(VOLUMES)
    beat = next(time for time in used_beats(recording) if time > 20)
    look(page, recording, 18, 30)
    page.get_by_label("Reason").fill("catheter whip")
    button = button_of(page, beat)
    box = button.bounding_box()
    assert box
    assert box["height"] >= 48
    button.focus()
    page.keyboard.press("Enter")
    expect(button_of(page, beat)).to_contain_text("Use")
    assert BeatOverride.objects.get().reason == "catheter whip"
    page.get_by_role("button", name="Reset to automatic").focus()
    page.keyboard.press("Space")
    expect(button_of(page, beat)).to_contain_text("Exclude")
    assert not BeatOverride.objects.exists()


def test_tap_between_two_beats_in_reach_only_brings_the_nearest_forward(page: Page, store) -> None:
    recording = store(VOLUMES)
    beat = next(time for time in used_beats(recording) if time > 20)
    look(page, recording, 0, 40)
    page.mouse.click(*mark_of(page, beat + 0.1))
    expect(button_of(page, beat)).to_be_focused()
    assert not BeatOverride.objects.exists()


def test_signed_session_asks_for_the_reason_before_a_beat_is_judged(page: Page, store, physician) -> None:
    recording = store(VOLUMES)
    make.end_session(recording.session)
    sign_session(by=physician, session=recording.session)
    beat = next(time for time in used_beats(recording) if time > 20)
    look(page, recording, 18, 30)
    page.mouse.click(*mark_of(page, beat))
    reason = page.get_by_label("Reason for changing the signed session").first
    expect(page.locator("#beat-reason")).to_be_focused()
    assert not BeatOverride.objects.exists()
    reason.fill("artefact seen at review")
    page.mouse.click(*mark_of(page, beat))
    expect(button_of(page, beat)).to_contain_text("Use")
    assert recording.session.amendments.get().reason == "artefact seen at review"


def test_loops_follow_the_stretch_in_view(page: Page, store) -> None:
    recording = store(VOLUMES)
    look(page, recording, 14, 34)
    page.locator("#window-start").fill("0")
    page.locator("#window-end").fill("10")
    page.get_by_role("button", name="Show", exact=True).click()
    expect(page.locator("#loops .state")).to_have_text("There is no analysed epoch with volumes in this stretch.")


@pytest.mark.parametrize("theme", ["bright", "dark"])
def test_pages_of_beats_and_calibration_are_accessible_and_fit(page: Page, store, theme: str) -> None:
    recording = store(VOLUMES)
    page.add_init_script(f"localStorage.setItem('tributary-theme', '{theme}')")
    look(page, recording, 14, 34)
    for address in (page.url, reverse("procedures:new_calibration", args=[recording.pk])):
        page.goto(address)
        page.wait_for_load_state("networkidle")
        results = Axe().run(page)
        assert results.violations_count == 0, results.generate_report()
        for width, height in [(768, 1024), (1440, 900)]:
            page.set_viewport_size({"width": width, "height": height})
            fits(page)


def test_conductances_are_calibrated_from_the_page_and_get_loops(page: Page, complaints, store) -> None:
    recording = store(CONDUCTANCES)
    page.goto(reverse("procedures:recording", args=[recording.pk]))
    expect(page.get_by_text("until electrode spacing and blood resistivity are entered")).to_be_visible()
    page.get_by_role("link", name="Calibrate").click()
    page.get_by_label("Electrode spacing").fill("10")
    page.get_by_label("Blood resistivity").fill("150")
    page.get_by_label("Wash-in, from").fill("2")
    page.get_by_label("Wash-in, to").fill("18")
    complaints.allow("422")
    page.get_by_role("button", name="Save").click()
    expect(page.locator(".error-summary")).to_contain_text("needed")
    assert not Calibration.objects.exists()
    page.get_by_label("Wash-in, from").fill("16")
    page.get_by_label("Wash-in, to").fill("33")
    page.get_by_role("button", name="Save").click()
    expect(page.locator("#calibration tbody tr")).to_contain_text("from a saline wash-in")
    expect(page.locator("#loops[data-state=drawn] .main-svg").first).to_be_visible()
    stored = Calibration.objects.get()
    assert stored.parallel_volume_ml == pytest.approx(60, abs=2)
    assert recording.epochs.get().metrics.filter(key="stroke_work_mmhg_ml").exists()
