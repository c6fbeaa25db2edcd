"""The ECG page in a real browser: drawn to scale on paper, calipers by drag, tap, keys and buttons."""

from __future__ import annotations

import numpy as np
import pytest
from axe_playwright_python.sync_playwright import Axe
from django.urls import reverse
from playwright.sync_api import Locator, Page, expect

from procedures.models import EcgMeasurement, IntervalReading, Session
from registry.models import Role, User
from tests import factories as make
from tests.browser.pdf_paths import lines, pages_mm
from tests.ecgs import stored_ecg

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def physician(log_in) -> User:
    user = make.make_user(Role.PHYSICIAN)
    log_in(user)
    return user


@pytest.fixture
def session(settings, tmp_path, physician: User) -> Session:
    settings.MEDIA_ROOT = tmp_path
    return make.make_session(make.make_patient(physician.memberships.get().centre, by=physician), by=physician)


@pytest.fixture
def ecg(session: Session) -> EcgMeasurement:
    stored_ecg(session, None, 180.0, 72)
    site = make.make_site(make.make_tributary(session), "PL mid", aha_segment=11)
    return stored_ecg(session, site, 150.0, 71)


def look(page: Page, ecg: EcgMeasurement) -> None:
    page.goto(reverse("procedures:ecg", args=[ecg.pk]))
    expect(page.locator("[data-sheet][data-state=drawn] svg")).to_have_count(2)
    expect(page.locator("[data-beats][data-state=drawn] svg")).to_be_visible()
    expect(page.locator("#calipers[data-state=drawn] .strip svg")).to_have_count(2)


def marks(page: Page) -> list[float]:
    return [float(page.locator(f"[name={name}]").input_value() or "nan") for name in ("from_s", "to_s")]


def centre(of: Locator) -> tuple[float, float]:
    of.scroll_into_view_if_needed()
    box = of.bounding_box()
    assert box is not None
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def test_printed_sheet_is_true_to_scale(page: Page, ecg: EcgMeasurement) -> None:
    look(page, ecg)
    pdf = page.pdf(prefer_css_page_size=True)

    landscape = [size for size in pages_mm(pdf) if size[0] == pytest.approx(297, abs=0.5)]
    assert landscape, "the sheet stands on a page of its own, across"
    assert landscape[0][1] == pytest.approx(210, abs=0.5)

    # upright lines as tall as the sheet (124 mm): its grid, 1 mm apart over 262 mm
    grids = [[line.x0 for line in content if abs(abs(line.y0 - line.y1) - 124) < 0.3] for content in lines(pdf)]
    grids = [np.unique(np.round(at, 2)) for at in grids if len(at) > 250]
    assert len(grids) == 2, "one sheet of the site, one of the baseline"
    for at in grids:
        at = at[np.concatenate(([True], np.diff(at) > 0.1))]
        assert at[-1] - at[0] == pytest.approx(262, abs=0.3)
        assert np.diff(at) == pytest.approx(1.0, abs=0.03)


def test_calibration_pulse_is_one_millivolt_and_200_ms(page: Page, ecg: EcgMeasurement) -> None:
    """10 mm and 5 mm of the drawing, whose unit is the printed millimetre; 2.5 s are 62.5 mm."""
    look(page, ecg)
    path = "path => { const box = path.getBBox(); return [box.width, box.height]; }"
    pulse = page.locator("[data-sheet] svg").first.locator("path.trace[d^='M1 ']").first
    assert pulse.evaluate(path) == pytest.approx([7, 10])
    lead = page.locator("[data-sheet] svg").first.locator("path.trace").first
    assert lead.evaluate(path)[0] == pytest.approx(62.5, abs=0.2)


def test_onset_and_offset_stand_where_they_were_measured(page: Page, ecg: EcgMeasurement) -> None:
    look(page, ecg)
    at = page.locator("[data-beats] svg path.limit.this").evaluate_all("all => all.slice(0, 2).map(p => p.getBBox().x)")
    assert at[1] - at[0] == pytest.approx(ecg.qrs_duration_ms / 10, abs=0.05)


def test_marks_are_dragged(page: Page, ecg: EcgMeasurement) -> None:
    look(page, ecg)
    box = page.locator("#calipers .drawn").bounding_box()
    assert box is not None
    for name, share in (("a", 0.4), ("b", 0.5)):
        handle = page.locator(f"#calipers .handle.{name}")
        x, y = centre(handle)
        page.mouse.move(x, y)
        page.mouse.down()
        page.mouse.move(box["x"] + box["width"] * share, y, steps=4)
        page.mouse.up()
    first, second = marks(page)
    assert first == pytest.approx(ecg.start_s + 0.48, abs=0.01)
    assert second - first == pytest.approx(0.12, abs=0.01)
    expect(page.locator("#between")).to_have_text(f"A to B: {round((second - first) * 1000)} ms")


def test_marks_are_set_by_tap_and_moved_by_keys_and_buttons_and_kept(page: Page, ecg: EcgMeasurement) -> None:
    look(page, ecg)
    strip = page.locator("#calipers .strip").first
    strip.scroll_into_view_if_needed()
    box = strip.bounding_box()
    assert box is not None
    strip.click(position={"x": box["width"] * 0.25, "y": 60})
    strip.click(position={"x": box["width"] * 0.35, "y": 60})
    first, second = marks(page)
    assert second - first == pytest.approx(0.12, abs=0.01)

    handle = page.get_by_role("slider", name="Mark B")
    handle.focus()
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Shift+ArrowRight")
    page.keyboard.press("ArrowLeft")
    assert marks(page)[1] == pytest.approx(second + 0.010, abs=1e-9)
    expect(handle).to_have_attribute("aria-valuetext", f"{second + 0.010:.3f} s on ECG_V6")
    page.get_by_role("button", name="Mark A -10 ms").click()
    assert marks(page)[0] == pytest.approx(first - 0.010, abs=1e-9)

    page.get_by_label("Interval", exact=True).select_option("qlv")
    page.get_by_role("button", name="Save this interval").click()
    expect(page.get_by_text("The interval has been saved.")).to_be_visible()
    kept = IntervalReading.objects.get()
    assert (kept.origin, kept.kind, kept.site, kept.recording) == ("calipers", "qlv", ecg.site, ecg.recording)
    assert [kept.from_s, kept.to_s] == pytest.approx([first - 0.010, second + 0.010])
    assert (kept.from_lead, kept.to_lead) == ("ECG_II", "ECG_V6")
    expect(page.locator("#intervals")).to_contain_text("by calipers on the trace")


def test_targets_of_the_calipers_are_large(page: Page, ecg: EcgMeasurement) -> None:
    look(page, ecg)
    for button in page.locator("#calipers button").all():
        box = button.bounding_box()
        assert box is not None
        assert min(box["width"], box["height"]) >= 48, button.text_content()


@pytest.mark.parametrize("theme", ["bright", "dark"])
def test_nothing_to_complain_of_for_assistive_technology(page: Page, ecg: EcgMeasurement, theme: str) -> None:
    page.add_init_script(f"localStorage.setItem('tributary-theme', '{theme}')")
    look(page, ecg)
    found = Axe().run(page).response["violations"]
    assert [(v["id"], v["nodes"][0]["html"]) for v in found] == []
    assert page.evaluate("document.documentElement.scrollWidth") <= 1024
