"""Follow-up, device checks and parts in a real browser: accessible, within the screen, and usable by keyboard."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.urls import reverse
from django.utils import timezone
from playwright.sync_api import Page

from registry.models import DeviceCheck, Role, User
from tests import factories as make

pytestmark = pytest.mark.django_db(transaction=True)


def faults(page: Page) -> list[Any]:
    found = Axe().run(page).response["violations"]
    return [(one["id"], [node["html"] for node in one["nodes"]]) for one in found]


def test_pages_are_accessible_and_fit_a_tablet(page: Page, log_in: Callable[[User], None]) -> None:
    patient = make.make_patient()
    begun = timezone.now() - dt.timedelta(days=500)
    session = make.end_session(make.make_session(patient, started_at=begun))
    make.make_assessment(patient, rhythm="sinus", qrs_morphology="lbbb", lvef_percent=28, creatinine_umol_per_l=90)
    make.make_device(patient, serial_number="S-1")
    make.make_device_check(patient, biventricular_pacing_percent=91, lv_threshold_v=1.0)
    make.make_adverse_event(patient)
    make.make_consent(patient)
    log_in(make.make_user(Role.CLINICAL_LEAD, patient.centre))
    about = {"patient_key": patient.pk}
    pages = [
        reverse("registry:patient", args=[patient.pk]),
        *(
            reverse("registry:new_record", kwargs=about | {"kind": kind})
            for kind in ("assessments", "device-checks", "devices", "adverse-events", "consents")
        ),
        reverse("registry:details", kwargs=about),
        reverse("registry:identity", kwargs=about),
        reverse("registry:follow_up"),
        reverse("registry:schedule", args=[patient.centre.code]),
        reverse("registry:recall"),
        reverse("registry:recall") + "?model=Demo+generator+A",
        reverse("registry:survival"),
        reverse("procedures:parts", args=[session.pk]),
        reverse("procedures:new_part", args=[session.pk]),
    ]

    found = {}
    for address in pages:
        page.goto(address)
        found[address] = faults(page)
        over = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        assert over == 0, address

    assert {address: told for address, told in found.items() if told} == {}


def test_an_unusual_check_is_confirmed_by_keyboard(page: Page, log_in: Callable[[User], None], complaints: Any) -> None:
    complaints.allow("422")
    patient = make.make_patient()
    log_in(make.make_user(Role.LAB_STAFF, patient.centre))
    page.goto(reverse("registry:new_record", kwargs={"patient_key": patient.pk, "kind": "device-checks"}))
    page.locator("[name=checked_on]").fill("2024-09-01")
    page.locator("[name=lv_threshold_v]").fill("6,5")
    page.locator("[name=lv_threshold_v]").press("Enter")

    page.get_by_text("Threshold, left ventricle 6.5 V is unusual").first.wait_for()
    assert page.evaluate("document.activeElement.className") == "error-summary"
    assert faults(page) == []
    page.get_by_label("These unusual values are correct").press("Space")
    page.locator("[name=lv_threshold_v]").press("Enter")

    page.get_by_text("The device check has been saved.").wait_for()
    assert DeviceCheck.objects.get().confirmed_unusual == ["lv_threshold_v"]
