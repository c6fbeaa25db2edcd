"""Short forms of the two long runs: every kind of file, and requests to every address of the API."""

from __future__ import annotations

import pytest

from procedures.recordings import read_recording
from registry.importing.reading import read_table
from registry.models import Role
from tests import factories as make
from tests.fuzzing import files
from tests.fuzzing.requests import Plan
from tests.fuzzing.requests import run as run_requests
from tests.fuzzing.seeds import RECORDINGS, TABLES, seeds


@pytest.fixture(scope="module")
def originals(tmp_path_factory):
    return seeds(2 * len(RECORDINGS + TABLES), tmp_path_factory.mktemp("seeds"))


def test_originals_are_good_files_of_every_kind(originals, tmp_path):
    assert {seed.kind for seed in originals} == {*RECORDINGS, *TABLES}
    for seed in originals:
        if seed.kind in TABLES:
            assert list(read_table(seed.content).rows)
        else:
            (tmp_path / "file").write_bytes(seed.content)
            signals = read_recording(tmp_path / "file")
            assert signals.channels
            assert bool(signals.gaps) == (seed.kind == "edf+d")


@pytest.mark.django_db
def test_damaged_files_end_in_a_sentence_or_a_result(originals, tmp_path, settings):
    settings.MEDIA_ROOT = str(tmp_path)
    centre = make.make_centre()
    outcome = files.run(
        originals, range(110), by=make.make_user(Role.CLINICAL_LEAD, centre), centre=centre, folder=tmp_path
    )
    assert outcome.faults == []
    assert outcome.readable >= 0.1
    assert {*outcome.read, *outcome.refused} == {*RECORDINGS, *TABLES}


@pytest.mark.django_db(transaction=True)  # schemathesis sends from a thread of its own
def test_made_up_requests_are_answered(settings, tmp_path):
    settings.MEDIA_ROOT = str(tmp_path)
    plan = Plan(document=1, entries=40, forms=0, addresses=40, phases=("fuzzing",), only="tributaries$")
    outcome = run_requests(plan)
    assert outcome.faults == []
    assert outcome.requests > 80
    assert sum(count for status, count in outcome.statuses.items() if status < 400) > 0
