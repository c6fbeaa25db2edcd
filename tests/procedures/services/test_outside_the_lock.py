"""No file is opened, decoded or measured, and nothing is compared, while a transaction is open."""

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.urls import reverse

from procedures.models import AnalysisRun, RunState
from procedures.recordings.edf import EdfRecording
from procedures.recordings.stored import StoredRecording
from procedures.services import ecgs, intake, responses, sealing, stored_signals
from procedures.services.analysis import start_analysis
from procedures.services.beats import judge_beat
from procedures.services.calibrations import ReferenceStroke, WashIn, put_calibration
from procedures.services.ecgs import measure_ecg, store_ecg
from procedures.services.recordings import map_channels, mark_epoch, propose_epochs, store_recording
from tests import factories as make
from tests.ecgs import ecg_edf, session_edf
from tests.procedures.views.filling import fill
from tests.signals import Uploaded, conductance_csv, pressure_volume_csv

# Real transactions: the usual wrapping of a test in one would hide what is asked here.
pytestmark = pytest.mark.django_db(transaction=True)

SLOW = [
    ("procedures.recordings.heads", "_kind_of"),
    (EdfRecording, "read"),
    (StoredRecording, "read"),
    (ecgs, "measure_stretch"),
    (responses, "compare"),
    (sealing, "seal_into"),
    (stored_signals, "store_signals"),
    (intake, "keep"),
]


@pytest.fixture(autouse=True)
def calls(settings, tmp_path, monkeypatch):
    """Count the slow calls, and fail on one inside a transaction."""
    settings.MEDIA_ROOT = tmp_path
    seen = []

    def watch(place, name):
        import importlib

        owner = importlib.import_module(place) if isinstance(place, str) else place
        usual = getattr(owner, name)

        def watched(*given, **named):
            seen.append(name)
            assert not connection.in_atomic_block, f"{name} inside a transaction"
            return usual(*given, **named)

        monkeypatch.setattr(owner, name, watched)

    for place, name in SLOW:
        watch(place, name)
    return seen


@pytest.fixture
def session():
    return make.make_session()


def stored(session, content, name="case.csv"):
    by = make.writer_of(session.centre)
    return by, store_recording(
        by=by, session=session, upload=Uploaded(content), original_name=name, started_at=session.started_at
    )


def test_storing_mapping_and_proposing(session, calls):
    by, recording = stored(session, pressure_volume_csv(5))
    map_channels(by=by, recording=recording, mapping={"P_LV": "P_LV"}, version=1)
    propose_epochs(recording, "label,start_s,end_s\nbaseline,0,3\n")
    assert {"seal_into", "_kind_of", "keep"} <= set(calls)


def test_analysis_comparison_and_judged_beat(session, calls):
    site = make.make_site(make.make_tributary(session), "PL mid")
    by, recording = stored(session, pressure_volume_csv(60, change_at_s=30))
    mark_epoch(by=by, recording=recording, site=None, start_s=0, end_s=29)
    mark_epoch(by=by, recording=recording, site=site, start_s=31, end_s=60)
    run = start_analysis(by=by, recording=recording)
    run.refresh_from_db()
    assert (run.state, run.failure) == (RunState.DONE, "")
    judge_beat(by=by, recording=recording, time_s=5.0, counts=False)
    assert set(AnalysisRun.objects.values_list("state", flat=True)) == {RunState.DONE}
    assert {"read", "compare"} <= set(calls)


def test_calibration(session, calls):
    by, recording = stored(session, conductance_csv())
    constants = {"electrode_spacing_mm": 10, "blood_resistivity_ohm_cm": 150}
    put_calibration(
        by=by, recording=recording, alpha=ReferenceStroke(60, 2, 18), parallel_volume_ml=WashIn(18, 32), **constants
    )
    assert recording.calibrations.count() == 1
    assert "read" in calls


def test_electrocardiograms(session, calls):
    by = make.writer_of(session.centre)
    store_ecg(
        by=by,
        session=session,
        site=None,
        upload=Uploaded(ecg_edf()),
        original_name="ecg.edf",
        taken_at=session.started_at,
    )
    _, recording = stored(session, session_edf(), "case.edf")
    measure_ecg(by=by, recording=recording, site=None, start_s=0, end_s=9)
    assert calls.count("measure_stretch") == 2


def test_pages_open_no_transaction_around_a_service(session, client, calls):
    """The form's view is part of the way: a transaction around the service would be as bad as one in it."""
    client.force_login(make.writer_of(session.centre))
    url = reverse("procedures:new_recording", args=[session.pk])
    started = f"{session.started_at:%Y-%m-%dT%H:%M:%S}"
    typed = fill(client.get(url), started_at=started)
    sent = {name: value for name, value in typed.items() if value is not None}
    answer = client.post(url, sent | {"file": SimpleUploadedFile("day.csv", pressure_volume_csv(5))})
    assert answer.status_code == 302, answer.content.decode()
    recording = session.recordings.get()
    url = reverse("procedures:channels", args=[recording.pk])
    assert client.post(url, fill(client.get(url), role_P_LV="P_LV")).status_code == 302
    url = reverse("procedures:new_ecg", args=[session.pk])
    typed = fill(client.get(url), taken_at=started, state="baseline")
    sent = {name: value for name, value in typed.items() if value is not None}
    answer = client.post(url, sent | {"file": SimpleUploadedFile("ecg.edf", ecg_edf())})
    assert answer.status_code == 302, answer.content.decode()
    assert {"_kind_of", "keep", "store_signals", "measure_stretch"} <= set(calls)
