"""A recording is decoded once; its page reads the stored form, and says so while there is none."""

import os
import subprocess
import sys

import numpy as np
import pytest
from django.core.management import call_command
from django.urls import reverse

from procedures.models import RunState, StoredSignals
from procedures.recordings import Channel, RecordingError, Signals, open_recording, write_edf
from procedures.recordings.csv_file import CsvRecording
from procedures.recordings.stored import StoredRecording
from procedures.selectors import signals
from procedures.selectors.drawn_signals import drawn_signals
from procedures.selectors.sealed import original_of
from procedures.selectors.signals import NotPrepared, opened, place_of
from procedures.services import intake
from procedures.services.recordings import map_channels, store_recording
from procedures.services.stored_signals import drop_form
from registry import jobs
from registry.errors import RuleBroken
from tests import factories as make
from tests.sealed import overwrite_original
from tests.signals import Uploaded, pressure_volume_csv


@pytest.fixture(autouse=True)
def own_store(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path


def store(session, content=None, name="case.csv"):
    return store_recording(
        by=make.writer_of(session.centre), session=session, upload=Uploaded(content or pressure_volume_csv(20)),
        original_name=name, started_at=session.started_at,
    )  # fmt: skip


def edf(tmp_path):
    rng = np.random.default_rng(5)
    channels = tuple(Channel(f"V_{n}", "mL", 250.0, rng.normal(size=250 * 400)) for n in range(1, 6))
    path = tmp_path / "made.edf"
    write_edf(path, Signals((Channel("P_LV", "mmHg", 250.0, channels[0].samples + 60), *channels), (), "EDF+", 400.0))
    return path.read_bytes()


@pytest.mark.django_db(transaction=True)
def test_csv_is_decoded_once_whatever_is_asked_of_it(monkeypatch, client):
    decoded = []
    usual = CsvRecording.pieces
    monkeypatch.setattr(CsvRecording, "pieces", lambda self: decoded.append(self.path) or usual(self))
    session = make.make_session()
    recording = store(session)
    assert recording.signals.state == RunState.DONE
    client.force_login(make.writer_of(session.centre))
    for query in ({}, {"start": "3", "end": "4"}):
        figure = client.get(reverse("procedures:signals", args=[recording.pk]), query).json()
        assert [trace["name"] for trace in figure["data"]] == ["Pressure", "Volume"]
    map_channels(by=make.writer_of(session.centre), recording=recording, mapping={"P_LV": "P_LV"}, version=1)
    assert len(decoded) == 1


@pytest.mark.django_db(transaction=True)
def test_edf_reads_the_same_from_its_stored_form(tmp_path):
    recording = store(make.make_session(), edf(tmp_path), "case.edf")
    source, original = opened(recording), open_recording(original_of(recording))
    assert isinstance(source, StoredRecording)
    for one, other in zip(source.read(17.3, 29.9), original.read(17.3, 29.9), strict=True):
        np.testing.assert_array_equal(one.samples, other.samples)
    panels = dict(drawn_signals(recording, 0.0, 400.0, 60))
    total = np.sum([c.samples for c in original.read(None, None, [f"V_{n}" for n in range(1, 6)])], axis=0)
    assert (panels["Volume"].lows.min(), panels["Volume"].highs.max()) == (total.min(), total.max())


@pytest.mark.django_db
def test_page_says_that_signals_are_being_prepared_and_asks_again(client):
    session = make.make_session()
    recording = store(session)
    drop_form(recording.signals.place)
    StoredSignals.objects.update(place="", state=RunState.QUEUED)
    client.force_login(make.writer_of(session.centre))
    answer = client.get(reverse("procedures:signals", args=[recording.pk])).json()
    assert answer["message"] == "The file is being read. Its signals appear here then."
    assert answer["again_s"] > 0
    with pytest.raises(NotPrepared):
        opened(recording)
    jobs.carry_out("signals", recording.signals.pk)
    answer = client.get(reverse("procedures:signals", args=[recording.pk])).json()
    assert len(answer["data"]) == 2


@pytest.mark.django_db
def test_original_that_cannot_be_decoded_is_said(tmp_path):
    recording = store(make.make_session())
    drop_form(recording.signals.place)
    overwrite_original(recording, b"time_s,P_LV [mmHg]\n0,nothing\n".ljust(recording.size_bytes))
    StoredSignals.objects.update(place="", state=RunState.QUEUED)
    jobs.carry_out("signals", recording.signals.pk)
    with pytest.raises(RecordingError, match=r"could not be read.*nothing"):
        opened(recording)
    assert not any((tmp_path / "signals").rglob("zarr.json"))


@pytest.mark.django_db(transaction=True)
def test_another_sum_is_prepared_again_and_the_old_form_goes(tmp_path):
    session = make.make_session()
    recording = store(session, pressure_volume_csv(20).replace(b"P_LV [mmHg],V_LV [mL]", b"V_1 [mL],x [mL]"))
    old = recording.signals.place
    map_channels(by=make.writer_of(session.centre), recording=recording, mapping={"V_2": "x"}, version=1)
    form = StoredSignals.objects.get()
    assert (form.state, form.place != old) == (RunState.DONE, True)
    assert not (tmp_path / "signals" / old).exists()
    assert opened(recording).overview(["V_1", "x"], 0, 20, 10) is not None


@pytest.mark.django_db
def test_row_that_is_refused_leaves_no_stored_form(tmp_path, monkeypatch):
    def refuse(*_, **__):
        raise RuleBroken("No.")

    monkeypatch.setattr(intake, "put_in", refuse)
    with pytest.raises(RuleBroken):
        store(make.make_session())
    assert not StoredSignals.objects.exists()
    assert not any((tmp_path / "signals").rglob("zarr.json"))


@pytest.mark.django_db(transaction=True)
def test_lost_store_is_made_again_by_a_command(tmp_path):
    recording = store(make.make_session())
    place = recording.signals.place
    drop_form(place)
    with pytest.raises(RecordingError):
        opened(recording)
    call_command("prepare_recordings")
    assert StoredSignals.objects.get().place != place
    assert opened(recording).read(0, 1)
    standing = StoredSignals.objects.get().place
    call_command("prepare_recordings")
    assert StoredSignals.objects.get().place == standing
    assert str(tmp_path) in place_of(standing)


@pytest.mark.django_db(transaction=True)
def test_form_is_kept_open_between_windows_and_forgotten_with_its_removal(monkeypatch):
    recording = store(make.make_session())
    first = opened(recording)
    assert opened(recording) is first
    monkeypatch.setattr(signals, "MOST_OPEN", 1)
    other = store(make.make_session(), pressure_volume_csv(10))
    opened(other)
    assert opened(recording) is not first
    drop_form(StoredSignals.objects.get(recording=recording).place)
    with pytest.raises(RecordingError):
        opened(recording)


def test_web_process_loads_the_library_before_its_first_request():
    words = "import config.wsgi, sys; assert 'zarr.codecs.blosc' in sys.modules"
    subprocess.run(
        [sys.executable, "-c", words], check=True, env=os.environ | {"DJANGO_SETTINGS_MODULE": "tests.settings"}
    )
