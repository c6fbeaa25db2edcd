"""The audit and the patient's course in a real browser: drawn, without a broken policy, and accessible."""

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.urls import reverse

from registry.models import Role
from tests import factories as make
from tests.analytics.year import YEAR, make_year

pytestmark = pytest.mark.django_db(transaction=True)


def violations(page):
    found = Axe().run(page).response["violations"]
    return [(one["id"], [node["html"] for node in one["nodes"]]) for one in found]


def test_audit_draws_its_figure_and_leads_to_sessions(page, log_in):
    year = make_year()
    log_in(make.make_user(Role.CLINICAL_LEAD, year.centre))

    page.goto(reverse("analytics:audit"))
    page.wait_for_selector("figure.plot[data-state=drawn]")

    drawn = page.locator("figure.plot").inner_text()
    assert "4 of 6, 67 %" in drawn
    assert "Response by LVESV" in drawn
    assert violations(page) == []
    page.get_by_role("row", name="LV lead implanted").get_by_role("link", name="6", exact=True).click()
    assert page.get_by_role("heading", level=1).inner_text().startswith(f"LV lead implanted, {YEAR}")
    assert page.locator("tbody tr").count() == 6
    assert violations(page) == []


def test_entering_an_assessment_wrong_and_then_right(page, log_in, complaints):
    complaints.allow("422")
    patient = make.make_patient()
    make.make_assessment(patient, lvef_percent=25, lvesv_ml=200)
    log_in(make.make_user(Role.LAB_STAFF, patient.centre))

    page.goto(reverse("registry:patient", args=[patient.pk]))
    page.wait_for_selector("figure.plot[data-state=drawn]")
    assert violations(page) == []
    page.get_by_role("link", name="Add assessment").click()
    page.locator("[name=lvef_percent]").fill("34,5 %")
    page.get_by_role("button", name="Save").click()
    page.wait_for_selector(".error-summary")
    assert page.evaluate("document.activeElement.className") == "error-summary"
    assert page.title().startswith("To correct: ")
    assert violations(page) == []
    page.get_by_role("link", name="NYHA class: choose one answer.").click()
    assert page.evaluate("document.activeElement.name") == "nyha_class"

    for group, answer in (
        ("When", "Follow-up"),
        ("NYHA class", "II"),
        ("Atrial rhythm", "Sinus rhythm"),
        ("QRS morphology", "Biventricular paced"),
    ):
        page.get_by_role("group", name=group).get_by_label(answer, exact=True).check()
    page.get_by_label("Date of assessment").fill("2024-09-01")
    page.locator("[name=lvef_percent]").fill("34,5")
    page.get_by_role("button", name="Save").click()

    page.get_by_text("The assessment has been saved.").wait_for()
    assert page.locator("#course-table thead th").all_inner_texts()[2].startswith("1 September 2024")
    assert "34" in page.locator("#course-table tbody tr", has_text="LVEF (%)").inner_text()
