"""A file called after its patient does not bring the name into the record."""

import datetime as dt

import pytest

from procedures.services.file_names import kept_name
from procedures.services.recordings import store_recording
from registry.models import Change
from tests import factories as make
from tests.signals import Uploaded, pressure_volume_csv

pytestmark = pytest.mark.django_db


@pytest.fixture
def session():
    person = {"family_name": "Zébrafield-Oak", "given_name": "Ann", "birth_date": dt.date(1951, 7, 23)}
    return make.make_session(make.make_patient(local_identifier="H 884-771", **person))


@pytest.mark.parametrize(
    "name",
    [
        "zebrafield.edf",
        "Zébrafield_run1.edf",
        "oldZEBRAFIELDrun.edf",
        "ann run 2.edf",
        "Oak.edf",
        "23071951.edf",
        "pv-1951-07-23.edf",
        "h884771.edf",
        "case 884 H-884.771 b.edf",
    ],
)
def test_a_name_that_tells_is_not_kept(session, name):
    assert kept_name(session, name, "recording") == "recording.edf"


@pytest.mark.parametrize("name", ["channels.edf", "oaks run.csv", "session 1951.dcm", "PV run 12.zip", "annotated.csv"])
def test_any_other_name_is_kept(session, name):
    assert kept_name(session, f"C:\\lab\\{name}", "recording") == name


def test_the_name_is_nowhere_in_what_is_stored(session, settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path
    stored = store_recording(
        by=make.writer_of(session.centre),
        session=session,
        upload=Uploaded(pressure_volume_csv()),
        original_name="Zebrafield.csv",
        started_at=session.started_at,
    )
    assert stored.original_name == "recording.csv"
    assert not Change.objects.filter(values__icontains="zebrafield.csv").exists()
