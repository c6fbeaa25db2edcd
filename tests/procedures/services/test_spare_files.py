"""Files that no row names go after a safe age; everything else stays, also what is being taken in at the moment."""

import datetime as dt
import os
import time
from pathlib import Path

import pytest

from procedures.models import Recording, StoredSignals
from procedures.selectors.places import files_of, originals, place_of
from procedures.services import intake, spare_files
from procedures.services.recordings import receive_recording, store_recording
from procedures.services.spare_files import SAFE_AGE, clear_spare_files
from procedures.services.store import keep
from procedures.tasks import clear_spare_files as by_the_clock
from registry.errors import RuleBroken
from tests import factories as make
from tests.signals import Uploaded, pressure_volume_csv

pytestmark = pytest.mark.django_db
CONTENT = pressure_volume_csv(5)


@pytest.fixture(autouse=True)
def own_store(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path


def take_in(content=CONTENT, how=store_recording, session=None):
    session = session or make.make_session()
    return how(
        by=make.writer_of(session.centre), session=session, upload=Uploaded(content), original_name="case.csv",
        started_at=session.started_at,
    )  # fmt: skip


def make_old(root: Path, age: dt.timedelta = SAFE_AGE + dt.timedelta(hours=1)) -> None:
    then = time.time() - age.total_seconds()
    for path in (root, *root.rglob("*")):
        os.utime(path, (then, then))


def refused(monkeypatch):
    """Take in a file whose row is refused, which leaves its original."""

    def refuse(*_, **__):
        raise RuleBroken("No.")

    with monkeypatch.context() as patched:
        patched.setattr(intake, "put_in", refuse)
        with pytest.raises(RuleBroken):
            take_in(how=receive_recording)


def test_what_a_refused_row_left_goes_once_it_is_old(tmp_path, monkeypatch):
    refused(monkeypatch)
    (spare,) = originals()
    assert clear_spare_files() == 0, "its row may be about to be written"
    assert spare.exists()
    make_old(tmp_path)
    assert by_the_clock() == 1
    assert not list(originals())


def test_what_a_row_names_stays_however_old(tmp_path):
    recording = take_in()
    make_old(tmp_path)
    assert clear_spare_files() == 0
    kept = files_of([recording])
    assert all(path.exists() for path in (*kept.originals, *map(Path, kept.forms)))


def test_same_content_for_two_patients_is_two_files(tmp_path):
    first, second = take_in(), take_in()
    first.delete()
    make_old(tmp_path)
    assert clear_spare_files() == 2, "the original and the stored form of the first"
    assert files_of([second]).originals[0].exists()


def test_form_that_no_row_names_goes_and_the_one_in_use_stays(tmp_path):
    recording = take_in()
    used = StoredSignals.objects.get(recording=recording).place
    left = tmp_path / "signals" / used.replace("-", "-left")
    left.mkdir()
    (left / "zarr.json").write_text("{}")
    assert clear_spare_files() == 0
    make_old(tmp_path)
    assert clear_spare_files() == 1
    assert not left.exists()
    assert Path(place_of(used)).exists()


def test_same_file_kept_again_makes_a_spare_file_young(tmp_path, monkeypatch):
    refused(monkeypatch)
    make_old(tmp_path)
    (spare,) = originals()
    keep(spare, spare.name)  # as far as the moment before its row is written
    assert clear_spare_files() == 0
    assert list(originals()) == [spare]


def test_file_that_is_touched_while_it_is_cleared_is_put_back(tmp_path, monkeypatch):
    refused(monkeypatch)
    make_old(tmp_path)
    usual = Path.rename

    def touched_first(self, target):
        os.utime(self)  # an upload finds the content in the store at this moment
        return usual(self, target)

    monkeypatch.setattr(Path, "rename", touched_first)
    assert clear_spare_files() == 0
    assert len(list(originals())) == 1


def test_row_written_after_the_first_look_keeps_its_file(tmp_path, monkeypatch):
    recording = take_in()
    make_old(tmp_path)
    path = files_of([recording]).originals[0]
    assert not spare_files._clear_original(path, dt.datetime.now(dt.UTC) - SAFE_AGE)
    assert path.exists()
    assert Recording.objects.get().file.name == f"{path.parent.name}/{path.name}"
