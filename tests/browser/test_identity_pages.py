"""Duplicates, merges, looks and changes in a real browser: accessible, within a tablet's screen, judged by keyboard."""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.urls import reverse
from playwright.sync_api import Page

from registry.models import Patient, Role, User
from registry.services.course import put_assessment
from registry.services.merging import merge_patients
from tests import factories as make

pytestmark = pytest.mark.django_db(transaction=True)
SIZES = [(768, 1024), (1024, 768), (1440, 900)]
# Where to leave pictures for somebody to look at; nowhere unless asked.
PICTURES = os.environ.get("TRIBUTARY_TEST_PICTURES", "")


def faults(page: Page) -> list[Any]:
    found = Axe().run(page).response["violations"]
    return [(one["id"], [node["html"] for node in one["nodes"]]) for one in found]


def three() -> tuple[User, list[Patient]]:
    """A clinical lead, one person registered twice, and a third code merged already."""
    lead = make.make_user(Role.CLINICAL_LEAD)
    centre = lead.memberships.get().centre
    names = {"family_name": "Zebrafield-Quarrington", "given_name": "Annabella", "birth_date": dt.date(1951, 7, 23)}
    patients = [
        make.make_patient(centre, **names),
        make.make_patient(centre, **names | {"family_name": "Zebrafeild-Quarrington"}),
    ]
    patients.append(make.make_patient(centre))
    merge_patients(by=lead, kept=patients[0], merged=patients[2], reason="registered twice on the same day")
    return lead, patients


def test_pages_are_accessible_and_fit_a_tablet(page: Page, log_in: Callable[[User], None]) -> None:
    lead, patients = three()
    by = make.writer_of(patients[0].centre)
    assessment = make.make_assessment(patients[0], lvef_percent=28)
    values = {"kind": "before", "assessed_on": assessment.assessed_on, "lvef_percent": 31.5}
    put_assessment(by=by, patient=patients[0], key=assessment.pk, version=1, **values)
    log_in(lead)
    pages = {
        "patients": reverse("registry:patients"),
        "patient": reverse("registry:patient", args=[patients[0].pk]),
        "duplicates": reverse("registry:duplicates"),
        "pair": reverse("registry:merge", args=[patients[0].pk, patients[1].pk]),
        "changes": reverse("registry:changes", args=["registry.assessment", assessment.pk]),
        "looks": reverse("registry:looks"),
    }

    found = {}
    for name, address in pages.items():
        for width, height in SIZES:
            page.set_viewport_size({"width": width, "height": height})
            page.goto(address)
            over = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
            assert over == 0, (name, width)
            if PICTURES:
                page.screenshot(path=Path(PICTURES) / f"{name}-{width}.png", full_page=True)
        found[name] = faults(page)
    assert {name: told for name, told in found.items() if told} == {}


def test_a_pair_is_judged_and_the_merge_undone_by_keyboard(
    page: Page, log_in: Callable[[User], None], complaints: Any
) -> None:
    complaints.allow("422")
    lead, patients = three()
    log_in(lead)
    page.goto(reverse("registry:duplicates"))
    page.get_by_role("link", name="Review").press("Enter")
    page.get_by_label(f"keep {patients[0].code}, move").press("Space")
    page.get_by_label("Reason").press("Enter")
    page.get_by_text("Enter the reason.").first.wait_for()
    assert page.evaluate("document.activeElement.className") == "error-summary"

    page.get_by_label("Reason").fill("registered twice")
    page.get_by_label("Reason").press("Enter")
    page.get_by_text(f"{patients[1].code} has been merged into {patients[0].code}").wait_for()
    page.goto(reverse("registry:duplicates"))
    page.get_by_role("link", name=f"Undo the merge of {patients[1].code}").press("Enter")
    page.get_by_label("Reason").fill("cousins after all")
    page.get_by_label("Reason").press("Enter")

    page.get_by_text(f"{patients[1].code} has got its records back.").wait_for()
    assert not Patient.objects.get(pk=patients[1].pk).merged_into


def test_somebody_who_looks_like_a_patient_is_asked_about_and_registered(
    page: Page, log_in: Callable[[User], None], complaints: Any
) -> None:
    complaints.allow("422")
    lead, patients = three()
    log_in(lead)
    page.set_viewport_size({"width": 768, "height": 1024})
    page.goto(reverse("registry:new_patient"))
    page.get_by_label("Hospital number").fill("HOSP-NEW")
    page.get_by_label("Family name").fill("Zebrafield-Quarington")
    page.get_by_label("Given name").fill("Annabella")
    page.get_by_label("Birth date").fill("1951-07-23")
    page.get_by_label("Female").check()
    page.get_by_label("Not known").last.check()
    page.get_by_role("button", name="Register").click()

    page.get_by_role("heading", name="Is it the same person?").wait_for()
    over = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    assert over == 0
    if PICTURES:
        page.screenshot(path=Path(PICTURES) / "look-alikes-768.png", full_page=True)
    assert faults(page) == []
    page.get_by_role("alert").get_by_role("link", name="Could this be the same person?").press("Enter")
    assert page.evaluate("document.activeElement.name") == "another_person"
    page.keyboard.press("Space")
    page.get_by_role("button", name="Register").click()

    page.get_by_text("Registered as").wait_for()
    assert Patient.objects.count() == len(patients) + 1
