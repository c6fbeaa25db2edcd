"""Measured electrocardiograms and intervals: stored, replaced, set aside, refused."""

import datetime as dt

import pytest
from django.db import IntegrityError, transaction

from procedures.models import AnalysisRun, EcgMeasurement, IntervalReading, Recording
from procedures.selectors.ecgs import qrs_by_state, state_lines
from procedures.services.analysis import start_analysis
from procedures.services.ecgs import measure_ecg, put_reading, set_aside, store_ecg, withdraw_reading
from procedures.services.recordings import mark_epoch, store_recording
from procedures.services.sessions import sign_session
from registry.errors import Conflict, RuleBroken
from registry.models import Change
from tests import factories as make
from tests.ecgs import ecg_edf, session_edf, stored_ecg
from tests.revealing import revealed
from tests.signals import Uploaded, pressure_volume_csv

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def media(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path


@pytest.fixture
def site():
    return make.make_site(label="PL mid", aha_segment=11)


def recorded(site, content=None):
    by = make.writer_of(site.session.centre)
    return by, store_recording(
        by=by,
        session=site.session,
        upload=Uploaded(content or session_edf()),
        original_name="day.edf",
        started_at=site.session.started_at,
    )


def analysed(site):
    by, recording = recorded(site)
    epochs = [
        mark_epoch(by=by, recording=recording, site=where, start_s=start, end_s=start + 9.5)
        for where, start in ((None, 0.2), (site, 10.2))
    ]
    start_analysis(by=by, recording=recording)
    return by, recording, epochs


def test_analysis_measures_the_ecg_of_each_epoch(site, django_capture_on_commit_callbacks):
    with django_capture_on_commit_callbacks(execute=True):
        _, recording, (baseline, tested) = analysed(site)
    assert recording.runs.get().state == "done", recording.runs.get().failure
    wide, narrow = EcgMeasurement.objects.all()
    assert (wide.epoch, wide.state_site, wide.label) == (baseline, None, "baseline")
    assert (narrow.epoch, narrow.state_site) == (tested, site)
    assert wide.qrs_duration_ms == pytest.approx(180, abs=8)
    assert narrow.qrs_duration_ms == pytest.approx(140, abs=8)
    assert narrow.start_s >= 10.2
    assert narrow.end_s <= 19.7
    assert narrow.measured_at == recording.started_at + dt.timedelta(seconds=narrow.start_s)
    assert narrow.algorithm_version.startswith("electrocardiogram ")
    assert len(narrow.result["strict_lbbb"]["clauses"]) == 3
    assert set(narrow.beat.samples["leads"]) == set(narrow.result["leads"])


def test_analysed_again_the_measurement_is_replaced_and_stays_set_aside(site, django_capture_on_commit_callbacks):
    with django_capture_on_commit_callbacks(execute=True):
        by, recording, (_, tested) = analysed(site)
    ecg = EcgMeasurement.objects.get(epoch=tested)
    set_aside(by=by, ecg=ecg, because="electrode off", version=ecg.version)
    with django_capture_on_commit_callbacks(execute=True):
        start_analysis(by=by, recording=recording)
    again = EcgMeasurement.objects.get(epoch=tested)
    assert again.excluded_reason == again.set_aside == "electrode off"
    assert EcgMeasurement.objects.count() == 2


def test_recording_without_leads_is_analysed_as_ever(site, django_capture_on_commit_callbacks):
    by, recording = recorded(site, pressure_volume_csv(30))
    mark_epoch(by=by, recording=recording, site=None, start_s=2, end_s=28)
    with django_capture_on_commit_callbacks(execute=True):
        start_analysis(by=by, recording=recording)
    run = AnalysisRun.objects.get()
    assert run.state == "done"
    assert not EcgMeasurement.objects.exists()
    assert not any(note["code"] == "ecg_not_measured" for note in run.quality)


def test_stand_alone_ecg_is_stored_once_and_leaves_its_trail(site):
    first, again = (stored_ecg(site.session, site) for _ in range(2))
    assert first == again
    assert Recording.objects.count() == 1
    assert first.state_site == site
    assert first.qrs_duration_ms == pytest.approx(150, abs=8)
    assert Change.objects.filter(record_type="procedures.ecgmeasurement").count() == 1
    with pytest.raises(RuleBroken, match="as the ECG of PL mid"):
        stored_ecg(site.session, None)


def test_ecg_on_a_signed_session_is_one_amendment(site):
    by = make.writer_of(site.session.centre)
    make.end_session(site.session)
    site.session.refresh_from_db()
    sign_session(by=by, session=site.session)
    site.session.refresh_from_db()
    values = {"upload": Uploaded(ecg_edf()), "original_name": "late.edf", "taken_at": site.session.started_at}
    with pytest.raises(RuleBroken, match="signed"), transaction.atomic():
        store_ecg(by=by, session=site.session, site=site, **values)
    assert not EcgMeasurement.objects.exists()
    store_ecg(by=by, session=site.session, site=site, reason="found later", **values)
    assert site.session.amendments.count() == 1


def test_file_without_enough_leads_leaves_nothing(site):
    by = make.writer_of(site.session.centre)
    with pytest.raises(RuleBroken, match="twelve leads"), transaction.atomic():
        store_ecg(
            by=by,
            session=site.session,
            site=site,
            upload=Uploaded(pressure_volume_csv(5)),
            original_name="no.csv",
            taken_at=site.session.started_at,
        )
    assert not Recording.objects.exists()


def test_a_stretch_is_measured_once(site):
    by, recording = recorded(site)
    ecg = measure_ecg(by=by, recording=recording, site=None, start_s=0, end_s=9)
    assert ecg.label == "baseline"
    with pytest.raises(RuleBroken) as caught, transaction.atomic():
        measure_ecg(by=by, recording=recording, site=None, start_s=0, end_s=9)
    assert "already been measured" in str(caught.value.fields)
    with pytest.raises(RuleBroken), transaction.atomic():
        measure_ecg(by=by, recording=recording, site=None, start_s=5, end_s=5.2)


def test_site_never_reached_has_no_ecg(site):
    never = make.make_site(site.tributary, "AL", reached=False, not_reached_reason="tortuosity")
    by, recording = recorded(site)
    with pytest.raises(RuleBroken, match="not reached"):
        measure_ecg(by=by, recording=recording, site=never)
    with pytest.raises(RuleBroken, match="not reached") as refusal:
        put_reading(by=by, session=site.session, site=never, kind="qlv", duration_ms=110)
    assert list(refusal.value.fields) == ["state"]
    assert not never.interval_readings.exists()


def test_caliper_reading_keeps_both_marks_leads_and_recording(site):
    by, recording = recorded(site)
    marks = {"recording": recording, "from_lead": "ECG_II", "to_lead": "ECG_V5", "from_s": 2.1, "to_s": 2.217}
    reading = put_reading(by=by, session=site.session, site=site, kind="qlv", **marks)
    assert reading.origin == "calipers"
    assert reading.duration_ms == pytest.approx(117)
    assert (reading.from_lead, reading.to_lead, reading.from_s, reading.to_s) == ("ECG_II", "ECG_V5", 2.1, 2.217)
    typed = put_reading(by=by, session=site.session, site=site, kind="qlv", duration_ms=120)
    assert (typed.origin, typed.recording, typed.from_s) == ("typed", None, None)


def test_withdrawn_interval_counts_nowhere_and_its_reason_is_in_the_trail(site):
    by, recording = recorded(site)
    make.make_measurement(site, qrs_duration_ms=160)
    marks = {"recording": recording, "from_lead": "ECG_II", "to_lead": "ECG_V5", "from_s": 2.1}
    qrs = put_reading(by=by, session=site.session, site=site, kind="qrs_duration", to_s=2.25, **marks)
    qlv = put_reading(by=by, session=site.session, site=site, kind="qlv", to_s=2.2, **marks)
    assert qrs_by_state(site.session)[site.pk].duration_ms == 150
    assert [line.readings for line in state_lines(site.session)] == [[qlv]]
    for reading in (qrs, qlv):
        withdraw_reading(by=by, reading=reading, because="Mark on a P wave.", version=1)
    assert qrs_by_state(site.session)[site.pk].duration_ms == 160
    assert [line.readings for line in state_lines(site.session)] == [[]]
    line = Change.objects.filter(record_id=qlv.pk).latest("sequence")
    assert (line.action, line.actor_id) == ("changed", by.pk)
    assert revealed(line)["new"]["excluded_reason"] == "Mark on a P wave."
    withdraw_reading(by=by, reading=qlv, because="", version=2)
    assert [line.readings for line in state_lines(site.session)] == [[qlv]]


def test_withdrawing_is_bound_by_version_and_signature(site):
    by = make.writer_of(site.session.centre)
    reading = put_reading(by=by, session=site.session, site=site, kind="qlv", duration_ms=110)
    with pytest.raises(Conflict):
        withdraw_reading(by=by, reading=reading, because="Wrong beat.", version=7)
    make.end_session(site.session, by=by)
    sign_session(by=make.make_user(centre=site.session.centre), session=site.session)
    reading.refresh_from_db()
    with pytest.raises(RuleBroken, match="signed"):
        withdraw_reading(by=by, reading=reading, because="Wrong beat.", version=1)
    reading.refresh_from_db()
    assert reading.excluded_reason == ""
    withdraw_reading(by=by, reading=reading, because="Wrong beat.", version=1, reason="Seen at the desk.")
    assert site.session.amendments.get().reason == "Seen at the desk."


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"to_s": 2.1, "from_s": 2.6}, "possible"),
        ({"to_s": 500.0}, "outside the recording"),
        ({"to_lead": "V9"}, "no channel 'V9'"),
    ],
)
def test_impossible_caliper_readings_are_refused(site, change, words):
    by, recording = recorded(site)
    marks = {"recording": recording, "from_lead": "ECG_II", "to_lead": "ECG_V5", "from_s": 2.1, "to_s": 2.2}
    with pytest.raises(RuleBroken, match=words):
        put_reading(by=by, session=site.session, site=site, kind="latency", **(marks | change))


def test_typed_qrs_of_a_site_has_no_second_place(site):
    by = make.writer_of(site.session.centre)
    with pytest.raises(RuleBroken) as caught, transaction.atomic():
        put_reading(by=by, session=site.session, site=site, kind="qrs_duration", duration_ms=150)
    assert "lead measurements" in str(caught.value.fields)
    put_reading(by=by, session=site.session, site=None, kind="qrs_duration", duration_ms=150)


@pytest.mark.parametrize("values", [{"to_s": 2.5}, {"from_lead": ""}, {"recording": None}, {"origin": "typed"}])
def test_database_holds_the_marks_and_the_interval_together(site, values):
    by, recording = recorded(site)
    marks = {"recording": recording, "from_lead": "ECG_II", "to_lead": "ECG_V5", "from_s": 2.1, "to_s": 2.2}
    reading = put_reading(by=by, session=site.session, site=site, kind="qlv", **marks)
    with pytest.raises(IntegrityError), transaction.atomic():
        IntervalReading.objects.filter(pk=reading.pk).update(**values)


def test_ecg_of_an_epoch_takes_its_site_from_there(site, django_capture_on_commit_callbacks):
    with django_capture_on_commit_callbacks(execute=True):
        _, _, (_, tested) = analysed(site)
    with pytest.raises(IntegrityError), transaction.atomic():
        EcgMeasurement.objects.filter(epoch=tested).update(site=site)
