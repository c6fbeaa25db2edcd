"""The ground the browser tests stand on."""

from __future__ import annotations

import pytest
from django.db import DatabaseError, connection
from playwright.sync_api import Page

from registry.models import Change
from registry.services.people import found_centre


def test_page_is_served_and_browser_complaints_are_kept(page: Page, complaints: list[str]) -> None:
    complaints.allow("kept")
    answer = page.goto("/log-in/")
    assert answer is not None
    assert answer.status == 200
    page.evaluate("console.error('kept')")
    assert any("kept" in complaint for complaint in complaints)


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("attempt", [1, 2])
def test_trail_is_emptied_between_committing_tests_and_still_refuses(attempt: int) -> None:
    assert Change.objects.count() == 0
    found_centre(code="north", name="North")
    assert Change.objects.count() == 1
    with pytest.raises(DatabaseError, match="append-only"), connection.cursor() as cursor:
        cursor.execute("DELETE FROM registry_change")
