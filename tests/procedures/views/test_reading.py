"""The page of a recording whose file is being read, or cannot be; and what the API says of it."""

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from procedures.models import Recording, RunState, StoredSignals
from registry.models import Role
from tests import factories as make
from tests.procedures.views.filling import fill, messages_of
from tests.signals import pressure_volume_csv, read_now

CONTENT = pressure_volume_csv(20)
STARTED = f"{make.START:%Y-%m-%dT%H:%M:%S}"


@pytest.fixture(autouse=True)
def store(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path


@pytest.fixture
def send(doctor, session):
    def sent(content=CONTENT, name="day.csv", query=""):
        url = reverse("procedures:new_recording", args=[session.pk]) + query
        data = fill(doctor.get(url), started_at=STARTED) | {"file": SimpleUploadedFile(name, content)}
        return doctor.post(url, {key: value for key, value in data.items() if value is not None})

    return sent


@pytest.fixture
def recording(send):
    assert send().status_code == 302
    return Recording.objects.get()


def at(name, recording):
    return reverse(f"procedures:{name}", args=[recording.pk])


def fails(sentence="Row 12 of the CSV file has no value in column 'P_LV'."):
    StoredSignals.objects.update(state=RunState.FAILED, failure=sentence)


def test_page_says_that_the_file_is_being_read_and_reloads_at_its_end(doctor, recording):
    page = doctor.get(at("recording", recording)).content.decode()
    assert "The file waits to be read" in page
    assert 'hx-trigger="every 1s"' in page
    assert "Mark an epoch" not in page
    held = {"token": recording.pk, "lease_until": recording.created_at}
    StoredSignals.objects.update(state=RunState.RUNNING, progress_percent=37, **held)
    polled = doctor.get(at("reading", recording), HTTP_HX_REQUEST="true")
    assert "37 % read" in polled.content.decode()
    assert "HX-Refresh" not in polled
    StoredSignals.objects.update(state=RunState.QUEUED)
    read_now(recording)
    assert doctor.get(at("reading", recording), HTTP_HX_REQUEST="true")["HX-Refresh"] == "true"
    assert "Mark an epoch" in doctor.get(at("recording", recording)).content.decode()


def test_every_page_of_an_unread_recording_says_so(doctor, recording):
    for name in ("channels", "found_epochs", "new_recorded_epoch", "new_calibration", "recorded_ecg", "beats"):
        answer = doctor.get(at(name, recording))
        if answer.status_code == 200:  # a form: it is refused when it is sent
            answer = doctor.post(at(name, recording), fill(answer))
        assert answer.status_code in (409, 422), name
        assert "is still being read" in answer.content.decode(), name
    assert doctor.post(at("analyse", recording)).status_code == 409
    assert doctor.get(at("signals", recording)).json()["again_s"] > 0
    session_page = doctor.get(reverse("procedures:session", args=[recording.session_id])).content.decode()
    assert "being read" in session_page


def test_unreadable_file_is_replaced_on_the_page(doctor, recording, send):
    fails()
    page = doctor.get(at("recording", recording)).content.decode()
    assert "Row 12 of the CSV file" in page
    address = f"{reverse('procedures:new_recording', args=[recording.session_id])}?replaces={recording.pk}"
    assert address in page
    assert "takes the place of day.csv" in doctor.get(address).content.decode()
    answer = send(pressure_volume_csv(10), "again.csv", f"?replaces={recording.pk}")
    assert answer.status_code == 302
    assert Recording.objects.get().original_name == "again.csv"


def test_unreadable_file_is_withdrawn_on_the_page(doctor, recording):
    fails()
    answer = doctor.post(at("withdraw_recording", recording), follow=True)
    assert "day.csv has been withdrawn." in answer.content.decode()
    assert not Recording.objects.exists()


def test_file_that_has_been_read_is_not_withdrawn(doctor, recording):
    read_now(recording)
    answer = doctor.post(at("withdraw_recording", recording))
    assert answer.status_code == 422
    assert "it cannot be withdrawn" in answer.content.decode()
    assert Recording.objects.exists()


def test_signed_session_asks_for_a_reason_to_withdraw(doctor, recording, session):
    fails()
    make.end_session(session)
    type(session).objects.filter(pk=session.pk).update(
        status="signed", signed_at=session.started_at, signed_by=make.writer_of(session.centre), signed_content={}
    )
    assert "Reason for" in doctor.get(at("recording", recording)).content.decode()
    assert doctor.post(at("withdraw_recording", recording)).status_code == 409
    assert Recording.objects.exists()
    assert doctor.post(at("withdraw_recording", recording), {"amendment_reason": "damaged"}).status_code == 302
    assert session.amendments.get().reason == "damaged"


def test_those_who_only_read_are_offered_nothing(client, centre, recording):
    fails()
    client.force_login(make.make_user(Role.CLINICAL_LEAD, centre))
    page = client.get(at("recording", recording))
    if page.status_code == 200 and not page.context["rights"]["write_sessions"]:
        assert "Withdraw this file" not in page.content.decode()
    assert client.post(at("read_again", recording)).status_code in (302, 403)


def test_reading_is_tried_again_from_the_page(doctor, recording):
    fails("The signals could not be stored: No space left on device.")
    assert doctor.post(at("read_again", recording)).status_code == 302
    assert StoredSignals.objects.get().state == RunState.QUEUED


def test_unclear_channels_that_only_reading_told_are_said_on_the_page(doctor, recording):
    read_now(recording)
    channels = [one | {"label": f"LVP{'' if n else ' '}", "unit": "mmHg"} for n, one in enumerate(recording.channels)]
    Recording.objects.update(channels=channels)
    assert "could both be P_LV" in doctor.get(at("recording", recording)).content.decode()


def test_the_api_says_how_far_the_reading_is(doctor, recording):
    url = f"/api/v1/recordings/{recording.pk}"
    answer = doctor.get(url).json()
    assert (answer["duration_s"], answer["reading"]["state"]) == (None, "waiting")
    fails()
    answer = doctor.get(url).json()
    assert answer["reading"] == {
        "state": "failed", "percent": 0, "failure": "Row 12 of the CSV file has no value in column 'P_LV'.",
    }  # fmt: skip
    StoredSignals.objects.update(state=RunState.QUEUED, failure="")
    read_now(recording)
    answer = doctor.get(url).json()
    assert (answer["duration_s"], answer["reading"]["state"], answer["version"]) == (20.0, "read", 2)


def test_refused_form_is_sent_again_with_the_same_file(send):
    answer = send(b"time_s,P_LV [mmHg]\n0,much\n1,2\n")
    assert answer.status_code == 422
    assert any("which is not a number" in text for text in messages_of(answer))
