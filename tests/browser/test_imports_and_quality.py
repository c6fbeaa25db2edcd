"""Import of a table and data quality in a real browser: by keyboard, accessible, on every screen, under the policy."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.urls import reverse
from playwright.sync_api import Page, expect

from registry.models import Patient, Role, User
from registry.services.queries import raise_query
from tests import factories as make
from tests.browser.hand import wait_until
from tests.browser.keyboard import press, reach
from tests.registry.importing.tables import PATIENTS, as_csv, begin, checked, decided

pytestmark = pytest.mark.django_db(transaction=True)
SIZES = [(768, 1024), (1024, 768), (1440, 900)]
ROW = ("N-1", "Adler", "Eva", "03/04/1950", "f", "ischaemic")


def looks_right(page: Page) -> None:
    results = Axe().run(page)
    assert results.violations_count == 0, f"{page.url}\n{results.generate_report()}"
    for width, height in SIZES:
        page.set_viewport_size({"width": width, "height": height})
        # A figure draws itself anew a moment after the screen was turned.
        wait_until(page, "document.documentElement.scrollWidth <= document.documentElement.clientWidth")


def test_a_table_is_imported(page: Page, log_in: Callable[[User], None], tmp_path: Path) -> None:
    lead = make.make_user(Role.CLINICAL_LEAD)
    log_in(lead)
    path = tmp_path / "people.csv"
    path.write_bytes(as_csv([PATIENTS, ROW]))
    page.goto(reverse("imports:list"))
    looks_right(page)
    reach(page, page.get_by_role("link", name="Import a table"))
    page.keyboard.press("Enter")
    page.get_by_label("Patients", exact=True).check()
    page.set_input_files("input[type=file]", path)
    looks_right(page)
    press(page, "Upload")
    expect(page.get_by_role("heading", name="Match the columns")).to_be_visible()
    looks_right(page)
    press(page, "Check the file")
    page.get_by_label("day, month, year").check()
    page.get_by_label("Sex: 'f'").select_option("Female")
    looks_right(page)
    press(page, "Check the file")
    expect(page.get_by_text("Every row can be loaded")).to_be_visible()
    press(page, "Load 1 row")
    expect(page.get_by_text("1 rows")).to_be_visible()
    looks_right(page)
    assert Patient.objects.get().identity.birth_date == "1950-04-03"


def test_findings_quality_and_queries_on_every_screen(page: Page, log_in: Callable[[User], None]) -> None:
    lead = make.make_user(Role.CLINICAL_LEAD)
    centre = lead.memberships.get().centre
    log_in(lead)
    run = checked(
        lead, decided(lead, begin(lead, centre, as_csv([PATIENTS, *[("", *ROW[1:3], "x", "male", "")] * 60])))
    )
    patient = make.make_patient(centre, by=lead)
    record = make.make_assessment(patient, by=lead, qrs_duration_ms=250.0, confirmed=True)
    query = raise_query(
        by=lead, record_type="registry.assessment", record=record, field="lvef_percent", text="Why none?"
    )
    for address in (
        reverse("imports:show", args=[run.pk]),
        reverse("analytics:quality"),
        reverse("analytics:quality_list", args=["unusual-assessment"]),
        reverse("queries:list"),
        reverse("queries:show", args=[query.pk]),
        reverse("queries:choose", args=[patient.pk]),
        reverse("queries:raise", args=[patient.pk, "registry.assessment", record.pk]),
    ):
        page.goto(address)
        looks_right(page)
