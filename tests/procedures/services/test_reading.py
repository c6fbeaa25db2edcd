"""A file that arrived by a request is only looked at; a job reads it, and says what is wrong with it."""

import datetime as dt

import numpy as np
import pytest
from django.core.management import CommandError, call_command
from pydicom.data import get_testdata_file

from procedures.models import Recording, RunState, StoredSignals
from procedures.recordings import Channel, Signals, open_recording, write_edf
from procedures.recordings.hashing import sha256_of
from procedures.recordings.sealed_file import seal_into, sealed_path
from procedures.selectors.sealed import key_of, original_of
from procedures.selectors.signals import NotRead, opened, reading_of
from procedures.services import stored_signals
from procedures.services.analysis import start_analysis
from procedures.services.ecgs import measure_ecg, store_ecg
from procedures.services.intake import ChannelsUnclear, SentFile
from procedures.services.recordings import (
    map_channels,
    mark_epoch,
    propose_epochs,
    read_again,
    receive_recording,
    withdraw_recording,
)
from procedures.services.sessions import sign_session
from registry import jobs
from registry.errors import AccessDenied, RuleBroken
from registry.models import Role
from tests import factories as make
from tests.signals import Uploaded, pressure_volume_csv, read_now

pytestmark = pytest.mark.django_db

GOOD = pressure_volume_csv(40)
# Its head is good: what is wrong comes after the first megabyte.
LONG = pressure_volume_csv(260)
BAD = LONG[: LONG.rindex(b"\n", 0, -1)] + b"\n259.996,much,150.000\n"


@pytest.fixture(autouse=True)
def own_store(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path / "store"


@pytest.fixture
def session():
    return make.make_session()


@pytest.fixture
def receive(session):
    def send(content=GOOD, name="case.csv", **more):
        given = {"session": session, "by": make.writer_of(session.centre), "started_at": session.started_at} | more
        return receive_recording(upload=Uploaded(content), original_name=name, **given)

    return send


def edf(tmp_path, seconds=20.0):
    pressure = 60 + 50 * np.sin(np.arange(round(seconds * 250)) / 40)
    write_edf(tmp_path / "day.edf", Signals((Channel("P_LV", "mmHg", 250.0, pressure),), (), "EDF+", seconds))
    return (tmp_path / "day.edf").read_bytes()


def test_request_decodes_nothing_and_the_job_says_what_is_in_it(receive, monkeypatch):
    with monkeypatch.context() as patched:
        patched.setattr(stored_signals, "store_signals", None)
        recording = receive()
    assert reading_of(recording).state == "waiting"
    assert (recording.duration_s, [c["role"] for c in recording.channels]) == (None, ["P_LV", "V_LV"])
    read_now(recording)
    assert reading_of(recording).state == "read"
    assert (recording.duration_s, recording.version) == (pytest.approx(40.0), 2)
    assert opened(recording).read(10, 11)[0].samples.size == 250


def test_edf_says_channels_length_and_start_at_once(receive, tmp_path):
    recording = receive(edf(tmp_path), "day.edf")
    assert (recording.format, recording.duration_s) == ("EDF+", 20.0)
    assert recording.channels == [{"label": "P_LV", "unit": "mmHg", "sample_rate_hz": 250.0, "role": "P_LV"}]
    assert reading_of(recording).state == "waiting"
    read_now(recording)
    assert recording.version == 1, "nothing new was found"


def test_nothing_is_marked_measured_or_analysed_before_it_is_read(receive):
    recording = receive()
    by = recording.uploaded_by
    acts = [
        lambda: mark_epoch(by=by, recording=recording, site=None, start_s=1, end_s=9),
        lambda: propose_epochs(recording, "label,start_s,end_s\nbaseline,0,3\n"),
        lambda: start_analysis(by=by, recording=recording),
        lambda: map_channels(by=by, recording=recording, mapping={}, version=1),
        lambda: measure_ecg(by=by, recording=recording, site=None),
    ]
    for act in acts:
        with pytest.raises(NotRead, match=r"case\.csv is still being read"):
            act()
    StoredSignals.objects.update(state=RunState.FAILED, failure="Row 7 is no number.")
    for act in acts:
        with pytest.raises(NotRead, match=r"could not be read.*Row 7 is no number\..*withdraw it"):
            act()


def test_file_that_cannot_be_read_is_said_in_words_and_can_be_withdrawn(receive):
    recording = receive(BAD)
    read_now(recording)
    found = reading_of(recording)
    assert (found.state, recording.duration_s) == ("failed", None)
    assert found.failure == ("Row 65000 of the CSV file has 'much' in column 'P_LV', which is not a number.")
    assert StoredSignals.objects.get().attempts == 1, "trying again would not help"
    withdraw_recording(by=recording.uploaded_by, recording=recording)
    assert not Recording.objects.exists()


def test_another_file_takes_the_place_of_one_that_cannot_be_read(receive):
    bad = receive(BAD)
    read_now(bad)
    with pytest.raises(RuleBroken, match="the file that could not be read"):
        receive(BAD, replaces=bad)
    good = receive(replaces=bad)
    assert list(Recording.objects.all()) == [good]
    read_now(good)
    with pytest.raises(RuleBroken, match="cannot be withdrawn or replaced"):
        receive(pressure_volume_csv(30), replaces=good)
    with pytest.raises(RuleBroken, match="cannot be withdrawn or replaced"):
        withdraw_recording(by=good.uploaded_by, recording=good)
    assert list(Recording.objects.all()) == [good]


def test_withdrawn_while_it_is_read_leaves_nothing(receive, monkeypatch, settings):
    recording = receive()
    usual = stored_signals.store_signals

    def withdraw_meanwhile(*given, **named):
        usual(*given, **named)
        withdraw_recording(by=recording.uploaded_by, recording=recording)

    monkeypatch.setattr(stored_signals, "store_signals", withdraw_meanwhile)
    jobs.carry_out("signals", recording.signals.pk)
    assert not StoredSignals.objects.exists()
    assert not any((settings.MEDIA_ROOT / "signals").rglob("zarr.json"))


def test_reading_is_tried_again_by_hand_by_those_who_write(receive):
    recording = receive()
    StoredSignals.objects.update(state=RunState.FAILED, failure="The disk was away.")
    with pytest.raises(AccessDenied):
        read_again(by=make.make_user(Role.RESEARCHER, recording.session.centre), recording=recording)
    read_again(by=recording.uploaded_by, recording=recording)
    read_now(recording)
    assert reading_of(recording).state == "read"


def test_session_is_not_signed_while_a_file_is_read_and_reading_ends_as_an_amendment(session, receive):
    first = receive()
    signer = make.make_user(Role.PHYSICIAN, session.centre)
    make.end_session(session)
    session.refresh_from_db()
    with pytest.raises(RuleBroken, match="still being read"):
        sign_session(by=signer, session=session)
    read_now(first)
    sign_session(by=signer, session=session)
    session.refresh_from_db()
    late = receive(pressure_volume_csv(30), "late.csv", session=session, reason="found on the recorder")
    read_now(late)
    assert late.duration_s == pytest.approx(30)
    assert [one.summary for one in session.amendments.order_by("id")] == [
        "Recording late.csv",
        "Recording late.csv read",
    ]


def test_what_the_head_tells_is_refused_at_once(receive):
    for content, said in [
        (b"hello\nworld\n", "no column time_s"),
        (GOOD.replace(b"[mmHg]", b"[kPa]"), "kPa"),
        (b"time_s,P_LV [mmHg]\n0,much\n1,2\n", "not a number"),
        (b"<?xml version='1.0'?><note/>", "not an HL7 aECG"),
        (b"PK\x03\x04" + bytes(100), "damaged"),
        (b"0       " + bytes(500), "EDF"),
    ]:
        with pytest.raises(RuleBroken, match=said):
            receive(content)
    with pytest.raises(ChannelsUnclear):
        receive(GOOD.replace(b"P_LV [mmHg],V_LV [mL]", b"LV pressure [mmHg],LVP [mmHg]"))
    assert not Recording.objects.exists()


def test_channels_that_only_reading_tells_are_found_by_the_job(receive):
    with open(get_testdata_file("waveform_ecg.dcm", download=False), "rb") as file:  # noqa: PTH123
        recording = receive(file.read(), "ecg.dcm")
    assert (recording.format, recording.channels, recording.duration_s) == ("DICOM", [], None)
    read_now(recording)
    assert len(recording.channels) >= 12
    assert recording.duration_s == pytest.approx(10.0, abs=0.1)


def test_large_file_of_ours_is_taken_without_copying(session, tmp_path):
    part = tmp_path / "store" / "incoming" / "x.part"
    part.parent.mkdir(parents=True)
    key = key_of(session.patient_id)
    with part.open("w+b", buffering=0) as file:
        sha256, _ = seal_into(file, [GOOD], session.patient_id, key)
    upload = SentFile(sealed_path(part, key), sha256, sha256_of(part))
    recording = receive_recording(
        by=make.writer_of(session.centre), session=session, upload=upload, original_name="x.csv",
        started_at=session.started_at,
    )  # fmt: skip
    assert (tmp_path / "store" / recording.file.name).samefile(part)


def test_ecg_is_read_at_once_only_when_it_is_short(session, monkeypatch, tmp_path):
    monkeypatch.setattr("procedures.services.intake.MOST_SHORT_SAMPLES", 4000)
    with pytest.raises(RuleBroken, match="too long for one ECG"):
        store_ecg(
            by=make.writer_of(session.centre), session=session, site=None, upload=Uploaded(edf(tmp_path)),
            original_name="ecg.edf", taken_at=session.started_at + dt.timedelta(minutes=1),
        )  # fmt: skip
    assert not Recording.objects.exists()


def test_command_reads_first_and_leaves_nothing_of_what_cannot_be_read(session, tmp_path, settings):
    path = tmp_path / "bad.csv"
    path.write_bytes(BAD)
    by = make.writer_of(session.centre)
    with pytest.raises(CommandError, match="Row 65000") as caught:
        call_command("upload_recording", path, session=session.code, by=by.username, started_at=f"{make.START:%FT%T}")
    assert caught.value.returncode == 2
    assert not Recording.objects.exists()
    assert [one for one in settings.MEDIA_ROOT.rglob("*") if one.is_file()] == []


def test_stored_csv_is_the_same_to_the_bit_as_decoded_whole(receive):
    recording = receive(LONG)
    read_now(recording)
    for one, other in zip(opened(recording).read(), open_recording(original_of(recording)).read(), strict=True):
        np.testing.assert_array_equal(one.samples, other.samples)
    assert recording.channels[0]["sample_rate_hz"] == 250.0
