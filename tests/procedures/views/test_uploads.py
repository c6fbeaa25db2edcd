"""Files in parts: the open protocol tus 1.0.0, status by status; and what a full or closed disk answers."""

import base64
import errno
import hashlib
import os
import shutil
import time
from types import SimpleNamespace

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from procedures.models import Recording, Upload
from procedures.selectors.places import incoming, sent_so_far
from procedures.services import uploads
from procedures.services.uploads import clear_uploads
from registry.models import Role
from tests import factories as make
from tests.procedures.views.filling import fill, messages_of
from tests.signals import pressure_volume_csv

CONTENT = pressure_volume_csv(20)
WHOLE = len(CONTENT)
TUS = {"Tus-Resumable": "1.0.0"}


@pytest.fixture(autouse=True)
def store(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path


@pytest.fixture
def begin(doctor, session):
    def begin(size=WHOLE, name="day.csv", headers=None, client=doctor):
        metadata = f"filename {base64.b64encode(name.encode()).decode()}"
        told = TUS | {"Upload-Length": str(size), "Upload-Metadata": metadata} | (headers or {})
        return client.post(reverse("procedures:uploads", args=[session.pk]), headers=told)

    return begin


def patch(client, url, part, offset, **more):
    headers = TUS | {"Upload-Offset": str(offset)} | more.pop("headers", {})
    return client.patch(
        url, part, content_type=more.pop("content_type", "application/offset+octet-stream"), headers=headers
    )


def here(client, url):
    answer = client.head(url, headers=TUS)
    assert answer["Cache-Control"] == "no-store"
    return int(answer["Upload-Offset"])


def test_what_is_spoken_is_told(doctor, session):
    answer = doctor.options(reverse("procedures:uploads", args=[session.pk]))
    assert (answer.status_code, answer["Tus-Version"]) == (204, "1.0.0")
    assert set(answer["Tus-Extension"].split(",")) == {"creation", "checksum", "termination", "expiration"}


def test_file_in_parts_that_goes_on_after_a_lost_line_becomes_a_recording(doctor, session, begin):
    begun = begin()
    assert begun.status_code == 201
    url = begun["Location"]
    first = patch(doctor, url, CONTENT[:1000], 0)
    assert (first.status_code, first["Upload-Offset"]) == (204, "1000")
    # the line was lost and the browser asks where it stopped
    assert here(doctor, url) == 1000
    again = patch(doctor, url, CONTENT[:1000], 0)
    assert (again.status_code, here(doctor, url)) == (409, 1000)
    assert patch(doctor, url, CONTENT[1000:], 1000).status_code == 204
    form = doctor.get(reverse("procedures:new_recording", args=[session.pk]))
    data = fill(form, started_at=f"{make.START:%Y-%m-%dT%H:%M:%S}", upload=str(Upload.objects.get().pk))
    answer = doctor.post(form.request["PATH_INFO"], {k: v for k, v in data.items() if v is not None})
    recording = Recording.objects.get()
    assert answer.url == reverse("procedures:recording", args=[recording.pk])
    assert (recording.sha256, recording.original_name) == (hashlib.sha256(CONTENT).hexdigest(), "day.csv")
    assert not Upload.objects.exists()
    assert list(incoming().iterdir()) == []


def test_what_is_refused_can_be_corrected_without_sending_again(doctor, session, begin):
    url = begin()["Location"]
    patch(doctor, url, CONTENT, 0)
    page = doctor.get(reverse("procedures:new_recording", args=[session.pk]))
    data = fill(page, upload=str(Upload.objects.get().pk))
    address = page.request["PATH_INFO"]
    refused = doctor.post(address, {k: v for k, v in data.items() if v is not None})
    assert refused.status_code == 422
    assert "Enter the time of the first sample." in messages_of(refused)
    data = fill(refused, started_at=f"{make.START:%Y-%m-%dT%H:%M:%S}")
    assert data["upload"]
    assert doctor.post(address, {k: v for k, v in data.items() if v is not None}).status_code == 302


def test_half_a_file_is_no_recording(doctor, session, begin):
    url = begin()["Location"]
    patch(doctor, url, CONTENT[:50], 0)
    page = doctor.get(reverse("procedures:new_recording", args=[session.pk]))
    data = fill(page, upload=str(Upload.objects.get().pk), started_at=f"{make.START:%Y-%m-%dT%H:%M:%S}")
    refused = doctor.post(page.request["PATH_INFO"], {k: v for k, v in data.items() if v is not None})
    assert refused.status_code == 422
    assert any("Only 50 of" in text for text in messages_of(refused))
    assert not Recording.objects.exists()


@pytest.mark.parametrize(
    ("change", "status"),
    [
        ({"content_type": "text/plain"}, 415),
        ({"headers": {"Tus-Resumable": "0.2.2"}}, 412),
        ({"headers": {"Upload-Offset": "x"}}, 400),
        ({"headers": {"Upload-Offset": "\u0663"}}, 400),
        ({"headers": {"Upload-Checksum": "sha256 AAAA"}}, 460),
        ({"headers": {"Upload-Checksum": "crc32 AAAA"}}, 400),
        ({"part": CONTENT + b"more"}, 413),
    ],
)
def test_part_that_is_wrong_changes_nothing(doctor, begin, change, status):
    url = begin()["Location"]
    patch(doctor, url, CONTENT[:10], 0)
    change = dict(change)
    part = change.pop("part", CONTENT)[10:]
    assert patch(doctor, url, part, 10, **change).status_code == status
    assert here(doctor, url) == 10


def test_right_checksum_is_taken(doctor, begin):
    url = begin()["Location"]
    digest = base64.b64encode(hashlib.sha256(CONTENT[:10]).digest()).decode()
    assert patch(doctor, url, CONTENT[:10], 0, headers={"Upload-Checksum": f"sha256 {digest}"}).status_code == 204


@pytest.mark.parametrize(("size", "status"), [("0", 422), ("x", 400), (str(2**40), 413)])
def test_size_must_be_one(begin, size, status):
    assert begin(size).status_code == status
    assert not Upload.objects.exists()


def test_ended_upload_is_gone(doctor, begin):
    url = begin()["Location"]
    assert doctor.delete(url, headers=TUS).status_code == 204
    assert doctor.head(url, headers=TUS).status_code == 404
    assert list(incoming().iterdir()) == []


def test_two_at_once_do_not_mix(doctor, begin):
    url = begin()["Location"]
    with uploads._own(Upload.objects.get()):
        assert patch(doctor, url, CONTENT, 0).status_code == 423
    assert patch(doctor, url, CONTENT, 0).status_code == 204


def test_upload_is_its_sender_s_alone(client, centre, session, begin):
    url = begin()["Location"]
    for somebody in (make.make_user(Role.PHYSICIAN, centre), make.make_user(Role.PHYSICIAN), make.make_user(None)):
        client.force_login(somebody)
        assert client.head(url, headers=TUS).status_code == 404
        assert patch(client, url, CONTENT, 0).status_code == 404
        assert client.delete(url, headers=TUS).status_code == 404
    client.force_login(make.make_user(Role.RESEARCHER, centre))
    assert begin(client=client).status_code == 404


def test_name_that_tells_the_patient_is_not_kept(session, begin):
    begin(name=f"{session.patient.identity.family_name}.csv")
    assert Upload.objects.get().original_name == "recording.csv"


def test_what_is_left_lying_is_cleared(begin, doctor):
    url = begin()["Location"]
    assert clear_uploads() == 0
    path = sent_so_far(Upload.objects.get())
    long_ago = time.time() - 25 * 3600
    os.utime(path, (long_ago, long_ago))
    Upload.objects.update(created_at=make.START)
    assert clear_uploads() == 1
    assert not Upload.objects.exists()
    assert doctor.head(url, headers=TUS).status_code == 404


def full(*_, **__):
    return SimpleNamespace(free=1000)


def test_no_room_is_said_before_anything_is_sent(begin, monkeypatch):
    monkeypatch.setattr(shutil, "disk_usage", full)
    answer = begin()
    assert answer.status_code == 507
    assert "not enough room" in answer.content.decode()
    assert not Upload.objects.exists()
    assert list(incoming().iterdir()) == []


@pytest.mark.parametrize(("code", "status"), [(errno.ENOSPC, 507), (errno.EROFS, 503)])
def test_disk_that_fails_on_the_way_in_is_a_sentence(doctor, session, begin, monkeypatch, tmp_path, code, status):
    """Sent whole with the form: the store of originals, then the temporary file of the form itself, refuse to write."""

    def fails(*_, **__):
        raise OSError(code, os.strerror(code))

    page = doctor.get(reverse("procedures:new_recording", args=[session.pk]))
    data = fill(page, started_at=f"{make.START:%Y-%m-%dT%H:%M:%S}")
    data = {k: v for k, v in data.items() if v is not None}
    handler = "config.uploads.TemporaryFileUploadHandler.receive_data_chunk"
    store = ("procedures.services.store.os.link", "procedures.services.store.shutil.copyfileobj")
    for places in (store, (handler,)):
        with monkeypatch.context() as patched:
            for place in places:
                patched.setattr(place, fails)
            answer = doctor.post(page.request["PATH_INFO"], data | {"file": SimpleUploadedFile("day.csv", CONTENT)})
        assert answer.status_code == status
        assert "administrator" in answer.content.decode()
        assert not Recording.objects.exists()
        assert [path for path in tmp_path.rglob("*") if path.is_file()] == []


def test_form_with_a_file_larger_than_the_room_is_refused_before_it_is_read(doctor, session, monkeypatch):
    page = doctor.get(reverse("procedures:new_recording", args=[session.pk]))
    monkeypatch.setattr(shutil, "disk_usage", full)
    answer = doctor.post(page.request["PATH_INFO"], {"file": SimpleUploadedFile("day.csv", CONTENT)})
    assert answer.status_code == 507
    assert "not enough room" in answer.content.decode()
