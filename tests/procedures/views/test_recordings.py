"""Uploading recordings, marking their epochs, starting and stopping their analysis."""

import datetime as dt

import numpy as np
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import TestCase
from django.urls import reverse
from django.utils import timezone

from procedures.models import AnalysisRun, Recording, RunState
from procedures.recordings import Annotation, Channel, Signals, write_edf
from procedures.services.recordings import mark_epoch, store_recording
from registry.jobs import sending
from registry.models import Role, new_key
from tests import factories as make
from tests.procedures.views.filling import fill, messages_of
from tests.signals import Uploaded, pressure_volume_csv, read_now

CONTENT = pressure_volume_csv(40)
STARTED = f"{make.START:%Y-%m-%dT%H:%M:%S}"


@pytest.fixture(autouse=True)
def store(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path


@pytest.fixture
def upload(doctor, session):
    url = reverse("procedures:new_recording", args=[session.pk])

    def send(content=CONTENT, name="day.csv", **typed):
        data = fill(doctor.get(url), started_at=STARTED) | typed
        if content is not None:
            data["file"] = SimpleUploadedFile(name, content)
        return doctor.post(url, {key: value for key, value in data.items() if value is not None})

    return send


@pytest.fixture
def recording(session, physician):
    return store_recording(
        by=physician,
        session=session,
        upload=Uploaded(CONTENT),
        original_name="day.csv",
        started_at=session.started_at,
    )


def at(name, recording, *more):
    return reverse(f"procedures:{name}", args=[recording.pk, *more])


def test_upload_stores_and_goes_to_the_page_of_the_recording(upload, session):
    answer = upload()
    stored = Recording.objects.get()
    assert answer.url == at("recording", stored)
    assert (stored.session, stored.duration_s) == (session, None)
    read_now(stored)
    assert stored.duration_s == pytest.approx(40)


def test_same_file_again_is_the_same_recording(upload):
    assert upload().url == upload().url
    assert Recording.objects.count() == 1


@pytest.mark.parametrize(
    ("sent", "message"),
    [
        ({"content": None}, "Choose the file of the recording."),
        ({"content": b""}, "This file is empty. Choose the file of the recording."),
        ({"content": b"\x00\x01\x02nonsense"}, "The file day.csv is not a recording of a known kind"),
        ({"started_at": None}, "Enter the time of the first sample."),
        ({"started_at": "2020-01-01T10:00:00"}, "this is outside the session"),
        ({"started_at": "soon"}, "Time of the first sample: enter a date and time"),
    ],
)
def test_upload_says_what_is_wrong(upload, sent, message):
    answer = upload(**sent)
    assert answer.status_code == 422
    assert any(message in text for text in messages_of(answer))
    assert not Recording.objects.exists()


def test_ambiguous_channels_are_asked_for(upload):
    content = CONTENT.replace(b"P_LV [mmHg],V_LV [mL]", b"LV pressure [mmHg],LVP [mmHg]")
    asked = upload(content)
    assert asked.status_code == 422
    choices = [text for _, text in asked.context["form"].fields["role_P_LV"].choices]
    assert choices == ["As recognised", "LV pressure", "LVP"]
    answer = upload(content, role_P_LV="LVP")
    assert answer.status_code == 302
    assert Recording.objects.get().mapping == {"P_LV": "LVP"}


def test_upload_needs_a_role_that_writes(client, centre, session):
    client.force_login(make.make_user(Role.RESEARCHER, centre))
    assert client.get(reverse("procedures:new_recording", args=[session.pk])).status_code == 404


def test_page_without_epochs_says_what_to_do(doctor, recording):
    text = doctor.get(at("recording", recording)).content.decode()
    assert "No epochs marked yet" in text
    assert "Not analysed yet" in text
    assert "Left-ventricular pressure" in text


def test_recording_of_another_centre_is_not_found(doctor, client, recording):
    client.force_login(make.make_user(Role.PHYSICIAN))
    for name in ("recording", "signals", "channels", "new_recorded_epoch", "found_epochs", "progress"):
        assert client.get(at(name, recording)).status_code == 404
    assert client.post(at("analyse", recording)).status_code == 404


def test_signals_are_thinned_and_keep_their_extremes(doctor, recording):
    figure = doctor.get(at("signals", recording), {"points": 200}).json()
    pressure = figure["data"][0]
    assert [trace["name"] for trace in figure["data"]] == ["Pressure", "Volume"]
    assert len(pressure["x"]) == len(pressure["y"]) == 200
    assert max(pressure["y"]) == pytest.approx(107, abs=0.1)
    assert min(pressure["y"]) == pytest.approx(12, abs=0.1)
    assert pressure["x"][0] == 0
    assert pressure["x"][-1] == pytest.approx(40, abs=0.5)


def test_signals_of_a_part_show_every_sample_and_the_epochs(doctor, recording, physician):
    mark_epoch(by=physician, recording=recording, site=None, start_s=11, end_s=20)
    figure = doctor.get(at("signals", recording), {"start": "10", "end": "12", "points": 2000}).json()
    assert len(figure["data"][0]["x"]) == 500
    assert figure["data"][0]["x"][0] == 10
    assert [(shape["x0"], shape["x1"]) for shape in figure["layout"]["shapes"]] == [(11, 20)]
    assert figure["layout"]["annotations"][0]["text"] == "baseline"


@pytest.mark.parametrize("query", [{"start": "x"}, {"start": "nan"}, {"start": "20", "end": "10"}])
def test_signals_refuse_what_is_no_stretch(doctor, recording, query):
    assert doctor.get(at("signals", recording), query).status_code == 422


def test_signals_never_send_more_points_than_the_screen_needs(doctor, recording):
    figure = doctor.get(at("signals", recording), {"points": "999999999"}).json()
    assert len(figure["data"][0]["x"]) <= 2000


def test_epoch_is_marked_by_hand_once(doctor, recording):
    url = at("new_recorded_epoch", recording)
    data = fill(doctor.get(url), state="baseline", start_s="5", end_s="15,5", chambers="rv")
    assert doctor.post(url, data).status_code == 302
    assert doctor.post(url, data).status_code == 302
    epoch = recording.epochs.get()
    assert (epoch.recording_start_s, epoch.recording_end_s, epoch.pacing.chambers) == (5, 15.5, "rv")
    assert epoch.started_at == recording.started_at + dt.timedelta(seconds=5)


@pytest.mark.parametrize(
    ("typed", "message"),
    [
        ({"state": None}, "State: choose one."),
        ({"start_s": None}, "Start: enter seconds, or tap on the trace."),
        ({"end_s": "500"}, "Enter seconds from 0.0 to 40.0, the end after the start."),
        ({"start_s": "15", "end_s": "14"}, "Enter seconds from 0.0 to 40.0, the end after the start."),
        ({"start_s": "25", "end_s": "35"}, "Epochs of a recording do not overlap."),
    ],
)
def test_marking_says_what_is_wrong(doctor, recording, physician, typed, message):
    mark_epoch(by=physician, recording=recording, site=None, start_s=20, end_s=30)
    url = at("new_recorded_epoch", recording)
    answer = doctor.post(url, fill(doctor.get(url), **({"state": "baseline", "start_s": "5", "end_s": "15"} | typed)))
    assert answer.status_code == 422
    assert message in messages_of(answer)
    assert recording.epochs.count() == 1


def test_marked_epoch_is_moved_under_its_version(doctor, recording, physician):
    epoch = mark_epoch(by=physician, recording=recording, site=None, start_s=20, end_s=30)
    url = at("recorded_epoch", recording, epoch.pk)
    data = fill(doctor.get(url), end_s="28")
    assert doctor.post(url, data).status_code == 302
    assert doctor.post(url, data | {"end_s": "27"}).status_code == 409
    epoch.refresh_from_db()
    assert epoch.recording_end_s == 28


def test_typed_page_of_a_marked_epoch_does_not_move_it(doctor, session, recording, physician):
    epoch = mark_epoch(by=physician, recording=recording, site=None, start_s=20, end_s=30)
    url = reverse("procedures:epoch", args=[session.pk, epoch.pk])
    page = doctor.get(url)
    assert "started_at" not in page.context["form"].fields
    assert doctor.post(url, fill(page, sv_ml="50")).status_code == 302
    epoch.refresh_from_db()
    assert epoch.recording_start_s == 20
    assert epoch.metrics.get().mean == 50


def table(text):
    return {"table": SimpleUploadedFile("epochs.csv", text.encode())}


def test_table_of_epochs_is_listed_then_confirmed(doctor, recording, session):
    make.make_site(make.make_tributary(session), "PL mid")
    text = "label,start_s,end_s\nbaseline,0,10\nsite:PL mid,12,20\nsite:elsewhere,22,30\n"
    listed = doctor.post(at("epoch_table", recording), table(text))
    assert listed.status_code == 200
    assert not recording.epochs.exists()
    assert "no such site" in listed.content.decode()
    data = {"count": "3"}
    for form in listed.context["forms"]:
        data |= {f"{form.prefix}-{name}": form[name].value() for name in ("key", "start_s", "end_s", "state")}
    refused = doctor.post(at("confirm_epochs", recording), data)
    assert refused.status_code == 422
    assert "Choose the baseline or site from 22.0 to 30.0 s." in refused.content.decode()
    assert not recording.epochs.exists()
    data["found-2-state"] = "leave_out"
    assert doctor.post(at("confirm_epochs", recording), data).status_code == 302
    assert doctor.post(at("confirm_epochs", recording), data).status_code == 302
    assert [epoch.label for epoch in recording.epochs.all()] == ["baseline", "PL mid"]
    again = doctor.post(at("epoch_table", recording), table(text))
    assert [form.proposed.label for form in again.context["forms"]] == ["site:elsewhere"]


def test_table_of_epochs_marked_before_is_no_problem(doctor, recording, physician):
    mark_epoch(by=physician, recording=recording, site=None, start_s=0, end_s=10)
    answer = doctor.post(at("epoch_table", recording), table("label,start_s,end_s\nbaseline,0,10\n"))
    assert answer.status_code == 200
    assert "All epochs found are already marked." in answer.content.decode()
    assert "Not accepted yet" not in answer.content.decode()


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("a,b\n1,2\n", "The epochs table has no column label"),
        ("label,start_s,end_s\nbaseline,0,999\n", "lies outside the recording"),
        ("label,start_s,end_s\nbaseline,0,20\nbaseline,10,30\n", "overlap"),
        ("label,start_s,end_s\nbaseline,zero,20\n", "is not a time in s"),
    ],
)
def test_table_says_what_is_wrong(doctor, recording, text, message):
    answer = doctor.post(at("epoch_table", recording), table(text))
    assert answer.status_code == 422
    assert message in answer.content.decode().replace("&#x27;", "'")
    assert not recording.epochs.exists()


def test_table_has_to_be_text_and_to_be_there(doctor, recording):
    assert doctor.post(at("epoch_table", recording), {}).status_code == 422
    binary = {"table": SimpleUploadedFile("epochs.csv", b"\xff\xfe\x00")}
    assert "not a text file" in doctor.post(at("epoch_table", recording), binary).content.decode()


def test_confirming_is_all_or_none(doctor, recording, physician):
    mark_epoch(by=physician, recording=recording, site=None, start_s=20, end_s=30)
    listed = doctor.post(at("epoch_table", recording), table("label,start_s,end_s\nbaseline,0,10\nbaseline,25,35\n"))
    data = {"count": "2"}
    for form in listed.context["forms"]:
        data |= {f"{form.prefix}-{name}": form[name].value() for name in ("key", "start_s", "end_s", "state")}
    answer = doctor.post(at("confirm_epochs", recording), data)
    assert answer.status_code == 422
    assert "This overlaps the epoch baseline" in answer.content.decode()
    assert recording.epochs.count() == 1


def test_file_without_annotations_says_so(doctor, recording):
    answer = doctor.get(at("found_epochs", recording))
    assert answer.status_code == 422
    assert "No epochs are annotated" in answer.content.decode()


def test_epochs_annotated_in_the_file_are_offered_with_their_site(doctor, session, physician, tmp_path):
    site = make.make_site(make.make_tributary(session), "PL mid")
    pressure = 60 + 50 * np.sin(np.arange(20 * 250) / 40)
    marks = (Annotation(1, 5, "baseline"), Annotation(8, 6, "site:pl MID"), Annotation(15, None, "cough"))
    written = tmp_path / "day.edf"
    write_edf(written, Signals((Channel("P_LV", "mmHg", 250.0, pressure),), marks, "EDF+", 20.0))
    stored = store_recording(
        by=physician,
        session=session,
        upload=Uploaded(written.read_bytes()),
        original_name="day.edf",
        started_at=session.started_at,
    )
    listed = doctor.get(at("found_epochs", stored))
    found = [
        (form.initial["start_s"], form.initial["end_s"], form.initial["state"]) for form in listed.context["forms"]
    ]
    assert found == [(1, 6, "baseline"), (8, 14, str(site.pk))]
    assert not stored.epochs.exists()


def test_channels_are_corrected(doctor, recording):
    url = at("channels", recording)
    wrong = doctor.post(url, fill(doctor.get(url), role_P_LV="V_LV"))
    assert wrong.status_code == 422
    assert doctor.post(url, fill(doctor.get(url), role_P_AO="P_LV")).status_code == 302
    recording.refresh_from_db()
    assert recording.mapping == {"P_AO": "P_LV"}


def test_analysis_needs_an_epoch(doctor, recording):
    answer = doctor.post(at("analyse", recording))
    assert answer.status_code == 422
    assert "Mark at least one epoch" in answer.content.decode()


@pytest.mark.django_db(transaction=True)
def test_analysis_runs_and_its_metrics_are_shown_as_computed(doctor, session, recording, physician):
    epoch = mark_epoch(by=physician, recording=recording, site=None, start_s=0, end_s=40)
    assert doctor.post(at("analyse", recording)).url == at("recording", recording)
    assert recording.runs.get().state == RunState.DONE
    text = doctor.get(reverse("procedures:session", args=[session.pk])).content.decode()
    assert "computed" in text
    detail = doctor.get(reverse("procedures:epoch", args=[session.pk, epoch.pk]))
    assert "dpdt_max_mmhg_per_s" in [metric.key for metric, _ in detail.context["computed"]]


@pytest.fixture
def queued(recording, physician):
    mark_epoch(by=physician, recording=recording, site=None, start_s=0, end_s=40)
    held = {"token": new_key(), "lease_until": timezone.now() + dt.timedelta(seconds=30)}
    return AnalysisRun.objects.create(
        recording=recording, state=RunState.RUNNING, progress_percent=40, step="beats", **held
    )


def test_progress_is_polled_while_it_runs_and_reloads_at_its_end(doctor, recording, queued):
    url = at("progress", recording)
    watching = {"HTTP_HX_REQUEST": "true"}
    busy = doctor.get(url, {"watching": "1"}, **watching)
    assert 'hx-trigger="every 1s"' in busy.content.decode()
    assert "40 % done" in busy.content.decode()
    assert "HX-Refresh" not in busy
    AnalysisRun.objects.update(state=RunState.DONE)
    done = doctor.get(url, {"watching": "1"}, **watching)
    assert done["HX-Refresh"] == "true"
    assert "every 1s" not in done.content.decode()


def test_running_analysis_is_cancelled(doctor, recording, queued):
    answer = doctor.post(at("cancel_analysis", recording, queued.pk), follow=True)
    queued.refresh_from_db()
    assert queued.state == RunState.CANCELLED
    assert "The analysis has been cancelled" in answer.content.decode()


def test_cancelling_what_has_ended_changes_nothing(doctor, recording, queued):
    AnalysisRun.objects.update(state=RunState.DONE)
    answer = doctor.post(at("cancel_analysis", recording, queued.pk), follow=True)
    queued.refresh_from_db()
    assert queued.state == RunState.DONE
    assert "had already finished" in answer.content.decode()


def test_failed_analysis_says_why(doctor, recording, queued):
    AnalysisRun.objects.update(state=RunState.FAILED, failure="No beats were found.")
    assert "No beats were found." in doctor.get(at("recording", recording)).content.decode()


def test_analysis_that_waits_is_sent_once_more_by_the_button(doctor, recording, queued, monkeypatch):
    sent = []
    monkeypatch.setattr(sending, "_send", lambda kind, key: sent.append(key))
    AnalysisRun.objects.update(state=RunState.QUEUED, token=None, lease_until=None, failure="The store was away.")
    AnalysisRun.objects.update(next_try_at=timezone.now() + dt.timedelta(minutes=1))
    page = doctor.get(at("recording", recording)).content.decode()
    assert "The last attempt failed: The store was away. It starts again at" in page
    assert f'formaction="{at("analyse", recording)}">Start now' in page
    with TestCase.captureOnCommitCallbacks(execute=True):
        doctor.post(at("analyse", recording))
    assert sent == [queued.pk]
    queued.refresh_from_db()
    assert (queued.state, queued.next_try_at) == (RunState.QUEUED, None)


def test_queue_that_is_down_fails_neither_upload_nor_request_for_an_analysis(upload, doctor, physician, queue_down):
    with TestCase.captureOnCommitCallbacks(execute=True):
        answer = upload()
    assert answer.status_code == 302
    stored = Recording.objects.get()
    assert "waits to be read" in doctor.get(at("recording", stored)).content.decode()
    read_now(stored)
    mark_epoch(by=physician, recording=stored, site=None, start_s=0, end_s=40)
    with TestCase.captureOnCommitCallbacks(execute=True):
        answer = doctor.post(at("analyse", stored), follow=True)
    assert answer.status_code == 200
    assert "waiting to start" in answer.content.decode()
    assert (stored.runs.get().state, stored.runs.get().sent_at) == (RunState.QUEUED, None)


def test_epoch_changed_after_the_analysis_is_told(doctor, recording, queued):
    started = recording.epochs.get().updated_at - dt.timedelta(minutes=1)
    AnalysisRun.objects.update(state=RunState.DONE, started_at=started, finished_at=started)
    assert "Epochs have changed since the last analysis" in doctor.get(at("recording", recording)).content.decode()


@pytest.mark.parametrize("name", ["analyse", "epoch_table", "confirm_epochs"])
def test_reading_never_writes(doctor, recording, name):
    assert doctor.get(at(name, recording)).status_code == 405


def test_reader_without_the_right_to_write_is_refused(doctor, client, recording, centre, monkeypatch):
    from registry import access

    monkeypatch.setitem(access.RIGHTS, Role.LAB_STAFF, {access.Right.SEE_SESSIONS})
    client.force_login(make.make_user(Role.LAB_STAFF, centre))
    assert client.get(at("recording", recording)).status_code == 200
    assert "Mark an epoch" not in client.get(at("recording", recording)).content.decode()
    assert client.get(at("new_recorded_epoch", recording)).status_code == 403
    assert client.post(at("analyse", recording)).status_code == 403
