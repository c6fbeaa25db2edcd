"""A file that was loaded before, is under way, has grown, or has problems: nothing is stored twice or in part."""

from __future__ import annotations

import pytest

from registry.errors import RuleBroken
from registry.importing.rows import STORED
from registry.models import (
    ImportState,
    Patient,
)
from registry.selectors.imports import findings_pages
from registry.services import imports
from tests.registry.importing.tables import (
    PATIENTS,
    as_csv,
    begin,
    checked,
    counts,
    decided,
    findings,
    loaded,
    people,
    take_in,
)

pytestmark = pytest.mark.django_db


def test_the_same_file_again_is_a_replay(lead, centre):
    content = as_csv([PATIENTS, *people()])
    take_in(lead, centre, content)
    before = counts()

    with pytest.raises(RuleBroken, match=r"already loaded, on .* by Member \d+: 3 records"):
        begin(lead, centre, content)

    assert counts() == before


def test_a_file_under_way_is_taken_up_where_it_stands(lead, centre):
    content = as_csv([PATIENTS, *people()])
    first = checked(lead, decided(lead, begin(lead, centre, content)))

    again = begin(lead, centre, content, name="renamed")

    assert (again.pk, again.state) == (first.pk, ImportState.CHECKED)
    assert loaded(lead, again).state == ImportState.LOADED


def test_a_longer_file_may_leave_out_what_is_stored(lead, centre):
    take_in(lead, centre, as_csv([PATIENTS, *people(3)]))
    run = checked(lead, decided(lead, begin(lead, centre, as_csv([PATIENTS, *people(5)]))))
    assert (run.problems, run.stored_already) == (3, 3)
    assert {page[0][3] for page in findings_pages(run)} == {STORED}

    run = checked(lead, decided(lead, run, leave_out_stored=True))
    assert (run.problems, run.stored_already) == (0, 3)
    assert loaded(lead, run).records_made == 2
    assert Patient.objects.count() == 5


def test_problems_are_kept_page_by_page(lead, centre):
    run = checked(lead, decided(lead, begin(lead, centre, as_csv([PATIENTS, *[("", "A", "B", "", "", "")] * 120]))))

    assert run.problems == 240
    assert [len(page) for page in findings_pages(run)] == [50, 50, 50, 50, 40]
    assert findings(run)[0] == (2, "Hospital number", "is empty")
    with pytest.raises(RuleBroken, match="240 problems"):
        imports.start_load(by=lead, run=run)
