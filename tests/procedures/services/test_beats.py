"""Beats excluded and restored by hand, from the judgement to the numbers."""

import pytest
from django.urls import reverse

from procedures.models import BeatOverride, EpochBeats, RunState
from procedures.selectors.beats import beats_between
from procedures.services import analysis
from procedures.services.beats import judge_beat
from procedures.services.recordings import mark_epoch, store_recording
from procedures.services.sessions import sign_session
from registry.errors import AccessDenied, RuleBroken
from registry.models import Change, Role
from registry.trail.verify import faults
from tests.factories import START, end_session, make_session, make_user, writer_of
from tests.revealing import revealed
from tests.signals import Uploaded, pressure_volume_csv

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def analysed(settings, tmp_path):
    """A recording of 40 s with one baseline, analysed; and who may write."""
    settings.MEDIA_ROOT = tmp_path
    session = make_session()
    by = writer_of(session.centre)
    recording = store_recording(
        by=by, session=session, upload=Uploaded(pressure_volume_csv(40)), original_name="a.csv", started_at=START
    )
    mark_epoch(by=by, recording=recording, site=None, start_s=3, end_s=39)
    analysis.start_analysis(by=by, recording=recording)
    return recording, by


def used(recording):
    return {beat.time_s for beat in beats_between(recording, 0, 40) if beat.used}


def test_refused_beat_leaves_the_numbers_and_comes_back_when_left_to_the_program(analysed):
    recording, by = analysed
    before = used(recording)
    beats = recording.epochs.get().metrics.get(key="p_max_mmhg").beats
    beat = sorted(before)[5]

    run = judge_beat(by=by, recording=recording, time_s=beat, counts=False, note="catheter whip")
    run.refresh_from_db()
    assert run.state == RunState.DONE
    assert used(recording) == before - {beat}
    seen = next(b for b in beats_between(recording, 0, 40) if b.time_s == beat)
    assert (seen.refused, seen.by_hand, seen.words) == ("by_hand", True, "excluded by hand")
    assert recording.epochs.get().metrics.get(key="p_max_mmhg").beats == beats - 1

    analysis.start_analysis(by=by, recording=recording)
    assert used(recording) == before - {beat}

    judge_beat(by=by, recording=recording, time_s=beat, counts=None)
    assert used(recording) == before
    assert not BeatOverride.objects.exists()
    acts = Change.objects.filter(record_type="procedures.beatoverride").order_by("sequence")
    assert list(acts.values_list("action", flat=True)) == ["created", "deleted"]
    assert revealed(acts.last())["old"]["reason"] == "catheter whip"
    assert list(faults()) == []


def test_refused_beat_can_be_restored_by_hand(analysed):
    recording, by = analysed
    refused = [beat for beat in beats_between(recording, 0, 40) if not beat.used]
    assert refused
    judge_beat(by=by, recording=recording, time_s=refused[0].time_s, counts=True)
    seen = next(b for b in beats_between(recording, 0, 40) if b.time_s == refused[0].time_s)
    assert (seen.used, seen.words) == (True, "restored by hand")


def test_judging_twice_changes_the_one_judgement(analysed):
    recording, by = analysed
    beat = sorted(used(recording))[3]
    judge_beat(by=by, recording=recording, time_s=beat, counts=False)
    judge_beat(by=by, recording=recording, time_s=beat + 0.02, counts=True)
    assert [(o.time_s, o.counts, o.version) for o in BeatOverride.objects.all()] == [(beat, True, 2)]


def test_judging_stops_a_run_that_may_have_read_the_judgements_already(analysed):
    recording, by = analysed
    waiting = recording.runs.create(state=RunState.QUEUED)
    run = judge_beat(by=by, recording=recording, time_s=sorted(used(recording))[3], counts=False)
    waiting.refresh_from_db()
    assert waiting.state == RunState.CANCELLED
    assert run.pk != waiting.pk


def test_time_outside_the_recording_refused(analysed):
    recording, by = analysed
    with pytest.raises(RuleBroken, match="outside the recording"):
        judge_beat(by=by, recording=recording, time_s=99, counts=False)


def test_signed_session_needs_a_reason_and_keeps_an_amendment(analysed):
    recording, by = analysed
    end_session(recording.session)
    sign_session(by=by, session=recording.session)
    beat = sorted(used(recording))[3]
    with pytest.raises(RuleBroken, match="signed"):
        judge_beat(by=by, recording=recording, time_s=beat, counts=False)
    assert beat in used(recording)
    judge_beat(by=by, recording=recording, time_s=beat, counts=False, reason="artefact seen at review")
    assert beat not in used(recording)
    assert "artefact seen at review" in recording.session.amendments.values_list("reason", flat=True)


@pytest.mark.parametrize("role", [Role.RESEARCHER, Role.ADMINISTRATOR])
def test_role_without_the_right_judges_nothing(analysed, role):
    recording, _ = analysed
    with pytest.raises(AccessDenied):
        judge_beat(by=make_user(role, recording.session.centre), recording=recording, time_s=5, counts=False)


def test_page_lists_the_beats_and_takes_a_judgement(analysed, client):
    recording, by = analysed
    client.force_login(by)
    listed = reverse("procedures:beats", args=[recording.pk])
    page = client.get(listed, {"start": 0, "end": 30}).content.decode()
    assert page.count("Exclude<span") == len([t for t in used(recording) if t < 30])
    beat = sorted(used(recording))[5]
    answer = client.post(
        reverse("procedures:judge_beat", args=[recording.pk]),
        {"judge": f"{beat:.4f} refuse", "start": "0", "end": "30"},
    )
    assert answer.status_code == 302
    assert "start=0&end=30" in answer["Location"]
    assert "excluded by hand" in client.get(listed, {"start": 0, "end": 30}).content.decode()
    figure = client.get(reverse("procedures:signals", args=[recording.pk]), {"start": 0, "end": 30}).json()
    names = {trace["name"]: trace for trace in figure["data"]}
    assert names["beats excluded by hand"]["x"] == [round(beat, 3)]
    assert names["beats excluded"]["marker"]["symbol"] != names["beats used"]["marker"]["symbol"]


def test_long_window_asks_for_a_shorter_one(analysed, client):
    recording, by = analysed
    client.force_login(by)
    recording.duration_s = 4000
    recording.save()
    page = client.get(reverse("procedures:beats", args=[recording.pk])).content.decode()
    assert "show 60 s or less" in page


@pytest.mark.parametrize("judge", ["", "5", "5 maybe", "five refuse", "nan refuse"])
def test_judgement_that_makes_no_sense_refused(analysed, client, judge):
    recording, by = analysed
    client.force_login(by)
    answer = client.post(reverse("procedures:judge_beat", args=[recording.pk]), {"judge": judge})
    assert answer.status_code in (400, 422)
    assert not BeatOverride.objects.exists()


def test_another_centre_does_not_see_the_beats(analysed, client):
    recording, _ = analysed
    client.force_login(make_user(Role.PHYSICIAN))
    assert client.get(reverse("procedures:beats", args=[recording.pk])).status_code == 404
    assert client.post(reverse("procedures:judge_beat", args=[recording.pk]), {"judge": "5 refuse"}).status_code == 404


def test_stored_beats_belong_to_the_last_run(analysed):
    recording, by = analysed
    run = judge_beat(by=by, recording=recording, time_s=sorted(used(recording))[3], counts=False)
    assert EpochBeats.objects.get(epoch=recording.epochs.get()).run_id == run.pk
