"""A CSV file, good and bad, from choosing it to the page that says what came of it, in a real browser."""

from __future__ import annotations

from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.urls import reverse
from playwright.sync_api import Page, expect

from procedures.models import Recording, RunState, Session, StoredSignals
from registry import jobs
from registry.models import Role, User, new_key
from tests import factories as make
from tests.browser.bedside import fits
from tests.signals import pressure_volume_csv, write

pytestmark = pytest.mark.django_db(transaction=True)
GOOD = pressure_volume_csv(60)
LONG = pressure_volume_csv(260)
# Its head is good; the last row is not.
BAD = LONG[: LONG.rindex(b"\n", 0, -1)] + b"\n259.996,much,150.000\n"


@pytest.fixture(autouse=True)
def nobody_reads_by_itself(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path
    settings.JOBS_BY = "queue"  # in memory, and no worker listens: the test is the worker


@pytest.fixture
def session() -> Session:
    return make.make_session()


@pytest.fixture
def physician(session: Session, log_in) -> User:
    user = make.make_user(Role.PHYSICIAN, session.centre)
    log_in(user)
    return user


def upload(page: Page, path: Path) -> None:
    page.locator("#id_file").set_input_files(path)
    page.get_by_label("Time of the first sample").fill(f"{make.START:%Y-%m-%dT%H:%M:%S}")
    page.get_by_role("button", name="Upload").click()
    expect(page.get_by_role("heading", name=path.name)).to_be_visible()


def work() -> None:
    """Do what waits, as a worker does."""
    for form in StoredSignals.objects.filter(state__in=StoredSignals.BUSY):
        jobs.carry_out("signals", form.pk)


def test_good_file_is_shown_as_being_read_then_drawn(page: Page, session, physician, tmp_path) -> None:
    page.set_viewport_size({"width": 1024, "height": 768})
    page.goto(reverse("procedures:new_recording", args=[session.pk]))
    upload(page, write(tmp_path / "day.csv", GOOD))
    expect(page.get_by_text("The file waits to be read")).to_be_visible()
    claim = {"token": new_key(), "lease_until": make.START, "state": RunState.RUNNING, "progress_percent": 37}
    StoredSignals.objects.update(**claim)
    expect(page.get_by_text("37 % read.")).to_be_visible()
    assert Axe().run(page).violations_count == 0
    fits(page)
    StoredSignals.objects.update(state=RunState.QUEUED, token=None, lease_until=None)
    work()
    # The page that watches reloads by itself.
    expect(page.get_by_role("heading", name="Mark an epoch")).to_be_visible()
    expect(page.locator("#signals figure[data-state=drawn] .main-svg").first).to_be_visible()


def test_bad_file_is_explained_and_another_takes_its_place(page: Page, session, physician, tmp_path) -> None:
    page.set_viewport_size({"width": 1024, "height": 768})
    page.goto(reverse("procedures:new_recording", args=[session.pk]))
    upload(page, write(tmp_path / "bad.csv", BAD))
    work()
    expect(page.get_by_text("Row 65000 of the CSV file has 'much' in column 'P_LV'")).to_be_visible()
    assert Axe().run(page).violations_count == 0
    fits(page)
    page.get_by_role("link", name="Upload another file").click()
    expect(page.get_by_text("takes the place of bad.csv")).to_be_visible()
    upload(page, write(tmp_path / "good.csv", GOOD))
    work()
    expect(page.get_by_role("heading", name="Mark an epoch")).to_be_visible()
    assert Recording.objects.get().original_name == "good.csv"


def test_bad_file_is_withdrawn(page: Page, session, physician, tmp_path) -> None:
    page.goto(reverse("procedures:new_recording", args=[session.pk]))
    upload(page, write(tmp_path / "bad.csv", BAD))
    work()
    page.get_by_role("button", name="Withdraw this file").click()
    expect(page.get_by_text("bad.csv has been withdrawn.")).to_be_visible()
    assert not Recording.objects.exists()
