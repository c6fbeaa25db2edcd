"""Files of recordings lie encrypted for their patient, and what a file says of a person stays in the original alone."""

import io
import json
import logging
import re
import shutil
import zipfile
from io import StringIO

import numpy as np
import pydicom
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.core.management import CommandError, call_command
from django.urls import reverse
from pydicom.data import get_testdata_file

from procedures.models import Recording, StoredSignals
from procedures.recordings import Channel, RecordingError, Signals, write_edf
from procedures.recordings.sealed_file import owner_of
from procedures.selectors.places import incoming, originals_root, sent_so_far
from procedures.selectors.sealed import key_of, original_of
from procedures.selectors.signals import opened
from procedures.services import intake, stored_signals
from procedures.services.recordings import receive_recording, store_recording
from procedures.services.sealing import seal_what_lies_open
from procedures.services.stored_signals import drop_form, read_file
from procedures.services.uploads import append, begin_upload, received_bytes
from registry.models import PatientKey, Role
from registry.services.erasure import erase_patient
from registry.trail.verify import faults
from tests import factories as make
from tests.everything import all_files, all_words
from tests.procedures.electrocardiogram.simulated import record
from tests.procedures.views.filling import fill
from tests.procedures.views.test_ecgs import aecg_of
from tests.sealed import lay_open
from tests.signals import Uploaded, pressure_volume_csv, read_now

pytestmark = pytest.mark.django_db
NAME = "Quillfeather"
CONTENT = pressure_volume_csv(5)


@pytest.fixture(autouse=True)
def own_store(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path / "store"
    settings.ERASURES_FILE = tmp_path / "erasures.jsonl"


@pytest.fixture
def session():
    return make.make_session()


def take_in(session, content=CONTENT, name="day.csv", how=store_recording):
    return how(
        by=make.writer_of(session.centre), session=session, upload=Uploaded(content), original_name=name,
        started_at=session.started_at,
    )  # fmt: skip


def edf_that_names(tmp_path):
    path = tmp_path / "made.edf"
    channel = Channel("P_LV", "mmHg", 250.0, np.sin(np.arange(2500) / 40) * 50 + 60)
    write_edf(path, Signals((channel,), (), "EDF+", 10.0))
    raw = bytearray(path.read_bytes())
    count = int(raw[252:256])
    raw[8:88] = f"X F 04-MAY-1956 {NAME}_Ann".encode().ljust(80)
    raw[88:168] = f"Startdate X {NAME}-admission {NAME}-technician {NAME}-hospital".encode().ljust(80)
    for one in range(count):
        at = 256 + 16 * count + 80 * one
        raw[at : at + 80] = f"{NAME} transducer".encode().ljust(80)
    return bytes(raw)


def dicom_that_names(tmp_path):
    dataset = pydicom.dcmread(get_testdata_file("waveform_ecg.dcm", download=False))
    dataset.PatientName, dataset.PatientID = f"{NAME}^Ann", f"{NAME}-1"
    dataset.OperatorsName = dataset.ReferringPhysicianName = NAME
    dataset.InstitutionName, dataset.PatientComments = f"{NAME} hospital", f"{NAME} again"
    out = io.BytesIO()
    dataset.save_as(out)
    return out.getvalue()


def wfdb_that_names(tmp_path):
    header = f"rec 1 500 1000\nrec.dat 16 100/mmHg 16 0 0 0 0 P_LV\n# {NAME}, Ann, born 4 May 1956\n#Operator: {NAME}\n"
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("rec.hea", header)
        archive.writestr("rec.dat", np.arange(1000, dtype="<i2").tobytes())
        archive.writestr(f"{NAME}.txt", NAME)
    return out.getvalue()


def aecg_that_names(tmp_path):
    made = aecg_of(record("bells", 150, 91).leads, tmp_path / "made.xml")
    subject = (
        f"<componentOf><trialSubject><subjectDemographicPerson><name>{NAME}</name><birthTime value='19560504'/>"
        f"</subjectDemographicPerson></trialSubject></componentOf><author><name>{NAME} technician</name></author>"
    )
    return re.sub(rb"(<AnnotatedECG[^>]*>)", rb"\1" + subject.encode(), made, count=1)


MAKERS = {"EDF+": edf_that_names, "DICOM": dicom_that_names, "WFDB": wfdb_that_names, "aECG": aecg_that_names}


@pytest.mark.parametrize("kind", MAKERS)
def test_name_in_a_header_reaches_neither_stored_form_nor_database_nor_log(
    session, tmp_path, monkeypatch, kind, caplog
):
    content = MAKERS[kind](tmp_path)
    assert NAME.encode() in content, "the file names the patient"
    caplog.set_level(logging.DEBUG)
    # Stored forms in the clear, so that every byte of them can be searched.
    for module in (intake, stored_signals):
        monkeypatch.setattr(module, "key_of_form", lambda *_: None)
    recording = take_in(session, content, "day.bin")

    assert recording.format == kind
    assert original_of(recording).read_bytes() == content
    files = all_files()
    heads = [
        json.loads(raw) for path, raw in files.items() if path.startswith("signals/") and path.endswith("zarr.json")
    ]
    assert any("recording" in head.get("attributes", {}) for head in heads), "the search reads what is there"
    assert [path for path, raw in files.items() if NAME.lower().encode() in raw.lower()] == []
    assert {table for table, text in all_words() if NAME.lower() in text.lower()} == set()
    assert NAME.lower() not in caplog.text.lower()


def test_header_that_is_unpacked_for_a_library_says_nothing_of_the_patient(tmp_path):
    from procedures.recordings.wfdb_file import WfdbRecording

    path = tmp_path / "record.zip"
    path.write_bytes(wfdb_that_names(tmp_path))
    recording = WfdbRecording(path)
    folder = recording._folder
    assert (folder / "rec.hea").read_text().startswith("rec 1 500 1000")
    assert not any(NAME.encode() in one.read_bytes() for one in folder.iterdir())


def test_original_stored_form_and_pieces_lie_encrypted(session):
    recording = take_in(session)
    upload = begin_upload(
        by=make.writer_of(session.centre), session=session, original_name="next.csv", size_bytes=len(CONTENT)
    )
    append(upload, offset=0, source=io.BytesIO(CONTENT[:-9]))
    assert received_bytes(upload) == len(CONTENT) - 9
    for path in (originals_root() / recording.file.name, sent_so_far(upload)):
        assert owner_of(path) == session.patient_id
    files = all_files()
    assert len(files) > 5
    words = (CONTENT[:30], CONTENT[900:930], b"zarr_format", b"P_LV", b"mmHg")
    assert [path for path, raw in files.items() if any(word in raw for word in words)] == []
    assert opened(recording).read()[0].samples.size > 100


def test_file_of_a_form_lies_encrypted_while_it_comes(session, client, monkeypatch):
    client.force_login(make.writer_of(session.centre))
    seen = []
    usual = intake.sealed_copy

    def look(chunks, owner):
        seen.extend(path.read_bytes() for path in incoming().glob("*.upload"))
        return usual(chunks, owner)

    monkeypatch.setattr(intake, "sealed_copy", look)
    page = client.get(reverse("procedures:new_recording", args=[session.pk]))
    data = fill(page, started_at=f"{make.START:%Y-%m-%dT%H:%M:%S}")
    data = {name: value for name, value in data.items() if value is not None}
    answer = client.post(page.request["PATH_INFO"], data | {"file": SimpleUploadedFile("day.csv", CONTENT)})
    assert answer.status_code == 302
    (raw,) = seen
    assert len(raw) > len(CONTENT)
    assert CONTENT[:30] not in raw
    assert original_of(Recording.objects.get()).read_bytes() == CONTENT
    assert list(incoming().iterdir()) == []


def test_after_an_erasure_no_copy_can_be_read_nor_with_the_key_from_a_backup(
    session, tmp_path, django_capture_on_commit_callbacks
):
    patient = session.patient
    lead = make.make_user(Role.CLINICAL_LEAD, session.centre)
    recording = take_in(session)
    form = recording.signals
    shutil.copytree(originals_root(), tmp_path / "copy")
    keys = list(PatientKey.objects.filter(pk=patient.pk))
    assert len(key_of(patient.pk)) == 32
    with django_capture_on_commit_callbacks(execute=True):
        erase_patient(by=lead, patient=patient, reason="request", code_again=patient.code)
    assert not (originals_root() / recording.file.name).exists()

    shutil.copytree(tmp_path / "copy", originals_root(), dirs_exist_ok=True)
    for brought_back in (False, True):
        if brought_back:
            PatientKey.objects.bulk_create(keys)
        with pytest.raises(RecordingError, match="destroyed"):
            original_of(recording)
        with pytest.raises(RecordingError, match="destroyed"):
            stored_signals.key_of_form(patient.pk, form.place)


def test_new_identity_key_needs_no_file_to_be_written_again(session, settings):
    from cryptography.fernet import Fernet

    recording = take_in(session)
    before = all_files()
    settings.IDENTITY_KEYS = [Fernet.generate_key().decode(), *settings.IDENTITY_KEYS]
    call_command("rotate_identity_keys", stdout=StringIO())
    settings.IDENTITY_KEYS = settings.IDENTITY_KEYS[:1]
    assert original_of(recording).read_bytes() == CONTENT
    assert all_files() == before
    settings.IDENTITY_KEYS = [Fernet.generate_key().decode()]
    with pytest.raises(RecordingError, match="TRIBUTARY_IDENTITY_KEYS"):
        original_of(recording)


def lay_all_open(recording, content, monkeypatch):
    """Let original and stored form lie as they did before files were encrypted."""
    lay_open(recording, content)
    with monkeypatch.context() as patched:
        patched.setattr(stored_signals, "key_of_form", lambda *_: None)
        path = original_of(recording)
        _, place = read_file(path, recording.sha256, recording.mapping, owner=recording.session.patient_id)
    drop_form(recording.signals.place)
    StoredSignals.objects.filter(recording=recording).update(place=place, sealed_for=None)


def seal():
    out = StringIO()
    call_command("seal_recordings", stdout=out)
    return out.getvalue()


def test_what_lies_in_the_clear_is_read_until_a_command_encrypts_it_and_goes_on_where_it_stopped(
    session, monkeypatch, settings
):
    settings.JOBS_BY = "queue"
    first, second = take_in(session), take_in(make.make_session(), pressure_volume_csv(6))
    wanted = [opened(one).read()[0].samples for one in (first, second)]
    lay_all_open(first, CONTENT, monkeypatch)
    lay_all_open(second, pressure_volume_csv(6), monkeypatch)
    (incoming() / "old.part").write_bytes(CONTENT[:100])
    for one, samples in zip((first, second), wanted, strict=True):
        one.refresh_from_db()
        np.testing.assert_array_equal(opened(one).read()[0].samples, samples)
    assert any(CONTENT[:30] in raw for raw in all_files().values())

    class Stopped(Exception):
        pass

    def stop(count, whole):
        assert whole == 4
        if count == 3:
            raise Stopped

    with pytest.raises(Stopped):
        seal_what_lies_open(stop)
    assert "0 original files and 1 stored signals encrypted, 0 unfinished" in seal()
    assert "0 original files and 0 stored signals" in seal()

    files = all_files()
    words = (CONTENT[:30], b"zarr_format", b"mmHg")
    assert [path for path, raw in files.items() if any(word in raw for word in words)] == []
    assert not list(incoming().iterdir())
    for one, samples, content in zip((first, second), wanted, (CONTENT, pressure_volume_csv(6)), strict=True):
        one = Recording.objects.get(pk=one.pk)
        assert original_of(one).read_bytes() == content
        np.testing.assert_array_equal(opened(one).read()[0].samples, samples)
    assert list(faults()) == [], "where the bytes lie has no link"


def test_file_that_was_changed_is_not_encrypted_and_the_command_says_so(session, monkeypatch):
    recording = take_in(session)
    lay_open(recording, CONTENT + b"more")
    with pytest.raises(CommandError, match="1 could not be encrypted") as caught:
        seal()
    assert caught.value.returncode == 2
    recording.refresh_from_db()
    assert original_of(recording).read_bytes() == CONTENT + b"more"


def test_original_that_was_cut_is_not_read(session, django_capture_on_commit_callbacks):
    with django_capture_on_commit_callbacks(execute=False):
        recording = take_in(session, pressure_volume_csv(60), how=receive_recording)
    path = originals_root() / recording.file.name
    raw = path.read_bytes()
    path.write_bytes(raw[: len(raw) // 2])  # whole segments are left: a shorter file that decrypts
    read_now(recording)
    assert "not as long" in StoredSignals.objects.get().failure
