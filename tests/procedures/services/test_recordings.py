"""A recording comes in, its epochs are marked, it is analysed, and the comparison follows."""

import datetime as dt
import errno
import hashlib

import pytest

from procedures.models import AnalysisRun, EpochMetric, Recording, RunState
from procedures.selectors.sealed import original_of
from procedures.services import analysis
from procedures.services.recordings import map_channels, mark_epoch, propose_epochs, store_recording
from procedures.services.stored_signals import drop_form
from registry import jobs
from registry.errors import RuleBroken
from tests.factories import START, enter, make_session, make_site, writer_of
from tests.signals import Uploaded, pressure_volume_csv

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def own_store(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path


def store(session, content=None, **values):
    content = pressure_volume_csv() if content is None else content
    return store_recording(
        by=writer_of(session.centre), session=session, upload=Uploaded(content), original_name="case.csv",
        **({"started_at": START} | values),
    )  # fmt: skip


def test_recording_is_stored_by_content_and_only_once():
    session, content = make_session(), pressure_volume_csv()
    first = store(session, content)
    assert first.sha256 == hashlib.sha256(content).hexdigest()
    assert original_of(first).read_bytes() == content
    assert (first.format, first.duration_s) == ("CSV", pytest.approx(60.0))
    assert [channel["role"] for channel in first.channels] == ["P_LV", "V_LV"]
    assert store(session, content) == first
    elsewhere = store(make_session(), content)
    assert elsewhere.pk != first.pk
    assert elsewhere.file.name != first.file.name, "each patient's files have a key of their own"


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "empty"),
        (b"hello\nworld\n", "no column time_s"),
        (b"\x00" * 3000, "case.csv"),
        (pressure_volume_csv(5).replace(b"[mmHg]", b"[kPa]"), "kPa"),
    ],
)
def test_unreadable_file_refused_by_its_own_name_and_nothing_kept(content, said, settings):
    session = make_session()
    with pytest.raises(RuleBroken) as caught:
        store(session, content)
    assert said in str(caught.value)
    assert not Recording.objects.exists()
    assert [path for path in settings.MEDIA_ROOT.rglob("*") if path.is_file()] == []


def test_larger_than_allowed_refused(settings):
    settings.RECORDING_MAX_BYTES = 1000
    with pytest.raises(RuleBroken, match="larger than"):
        store(make_session())


def test_unknown_start_is_asked_for_not_guessed():
    with pytest.raises(RuleBroken) as caught:
        store(make_session(), started_at=None)
    assert "started_at" in caught.value.fields


def test_ambiguous_channels_are_asked_about_and_mapped_by_hand():
    content = pressure_volume_csv(5).replace(b"P_LV [mmHg],V_LV [mL]", b"first [mmHg],second [mL]")
    session = make_session()
    recording = store(session, content)
    assert [channel["role"] for channel in recording.channels] == [None, None]
    by = writer_of(session.centre)
    with pytest.raises(RuleBroken, match="third"):
        map_channels(by=by, recording=recording, mapping={"P_LV": "third"}, version=1)
    mapped = map_channels(by=by, recording=recording, mapping={"P_LV": "first", "V_LV": "second"}, version=1)
    assert [channel["role"] for channel in mapped.channels] == ["P_LV", "V_LV"]


def test_table_of_epochs_is_matched_to_sites_whatever_the_spelling():
    site = make_site(label="PL mid")
    recording = store(site.session)
    proposed = propose_epochs(recording, "label,start_s,end_s\nBaseline,0,20\nsite: pl  MID,20,40\nAL,41,50\n")
    assert [(p.is_baseline, p.site, p.recognised) for p in proposed] == [
        (True, None, True),
        (False, site, True),
        (False, None, False),
    ]


@pytest.mark.parametrize("table", ["label,start_s,end_s\na,0,20\nb,10,30\n", "label,start_s,end_s\na,50,90\n", "x"])
def test_table_of_epochs_that_makes_no_sense_refused(table):
    with pytest.raises(RuleBroken):
        propose_epochs(store(make_session()), table)


@pytest.mark.parametrize("span", [(-1, 5), (5, 5), (10, 5), (50, 70)])
def test_epoch_outside_its_recording_refused(span):
    recording = store(make_session())
    with pytest.raises(RuleBroken, match="within the recording"):
        mark_epoch(
            by=writer_of(recording.session.centre), recording=recording, site=None, start_s=span[0], end_s=span[1]
        )


def test_overlapping_epochs_refused_and_the_same_one_again_is_a_replay():
    recording = store(make_session())
    arguments = {"by": writer_of(recording.session.centre), "recording": recording, "site": None}
    first = mark_epoch(start_s=0, end_s=20, **arguments)
    assert first.started_at == START
    assert first.ended_at == START + dt.timedelta(seconds=20)
    assert mark_epoch(start_s=0, end_s=20, **arguments) == first
    with pytest.raises(RuleBroken, match="overlaps"):
        mark_epoch(start_s=10, end_s=30, **arguments)


@pytest.fixture
def marked():
    """A recording whose second half has a tenth more pressure, marked as baseline, site, baseline."""
    site = make_site(label="PL mid")
    recording = store(site.session, pressure_volume_csv(90, change_at_s=30, factor=1.1))
    by = writer_of(site.session.centre)
    mark_epoch(by=by, recording=recording, site=None, start_s=0, end_s=29)
    mark_epoch(by=by, recording=recording, site=site, start_s=31, end_s=60)
    return recording, site, by


# Real commits here: what follows a commit is the subject.
@pytest.mark.django_db(transaction=True)
def test_analysis_from_file_to_response(marked):
    recording, site, by = marked
    run = analysis.start_analysis(by=by, recording=recording)
    run.refresh_from_db()
    assert (run.state, run.progress_percent, run.failure) == (RunState.DONE, 100, "")
    assert run.algorithm_version
    response = site.responses.get(metric="dpdt_max_mmhg_per_s")
    # The rise is scaled by a tenth on top of a constant, so its steepest slope is too.
    assert response.change_percent == pytest.approx(10.0, abs=0.5)
    heart_rate = EpochMetric.objects.filter(key="heart_rate_per_min").first()
    assert heart_rate.mean == pytest.approx(75.0, abs=0.1)
    assert heart_rate.origin == "computed"
    epoch = recording.epochs.first()
    assert len(epoch.beats.columns["time_s"]) >= 30
    assert len(epoch.beats.loop["volume_ml"]) == 101


def test_analysis_again_replaces_its_numbers_and_leaves_typed_ones(marked, django_capture_on_commit_callbacks):
    recording, site, by = marked
    epoch = recording.epochs.get(site=site)
    enter(epoch, "dpdt_max_mmhg_per_s", 900)
    for _ in range(2):
        with django_capture_on_commit_callbacks(execute=True):
            analysis.start_analysis(by=by, recording=recording)
    assert AnalysisRun.objects.filter(state=RunState.DONE).count() == 2
    assert epoch.metrics.filter(key="dpdt_max_mmhg_per_s").count() == 2
    assert epoch.metrics.get(origin="entered").mean == 900


def test_second_start_while_waiting_returns_the_same_run(marked):
    recording, _, by = marked
    assert analysis.start_analysis(by=by, recording=recording) == analysis.start_analysis(by=by, recording=recording)


def test_analysis_without_epochs_refused():
    recording = store(make_session())
    with pytest.raises(RuleBroken, match="Mark at least one epoch"):
        analysis.start_analysis(by=writer_of(recording.session.centre), recording=recording)


def test_cancelled_run_writes_nothing(marked, monkeypatch):
    recording, _, by = marked
    run = analysis.start_analysis(by=by, recording=recording)
    told = jobs.Claim.tell

    def cancel_midway(claim, sentence, share):
        if share > 0.1:
            analysis.cancel_analysis(by=by, run=run)
        told(claim, sentence, share)

    monkeypatch.setattr(jobs.Claim, "tell", cancel_midway)
    jobs.carry_out("analysis", run.pk)
    run.refresh_from_db()
    assert run.state == RunState.CANCELLED
    assert not EpochMetric.objects.exists()


def test_failed_run_says_why_and_writes_nothing(marked):
    recording, _, by = marked
    run = analysis.start_analysis(by=by, recording=recording)
    drop_form(recording.signals.place)
    jobs.carry_out("analysis", run.pk)
    run.refresh_from_db()
    assert run.state == RunState.FAILED
    assert run.failure
    assert not EpochMetric.objects.exists()


def test_store_that_cannot_be_read_is_asked_again(marked, monkeypatch):
    recording, _, by = marked
    run = analysis.start_analysis(by=by, recording=recording)

    def fails(*_, **__):
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(analysis, "analyse_file", fails)
    jobs.carry_out("analysis", run.pk)
    run.refresh_from_db()
    assert (run.state, run.failure) == (
        RunState.QUEUED,
        "The recording could not be read from the store: Input/output error.",
    )
    monkeypatch.undo()
    AnalysisRun.objects.update(next_try_at=None)
    jobs.carry_out("analysis", run.pk)
    run.refresh_from_db()
    assert (run.state, run.failure, run.attempts) == (RunState.DONE, "", 2)


def test_recording_that_cannot_be_used_is_not_tried_again(marked):
    recording, _, by = marked
    run = analysis.start_analysis(by=by, recording=recording)
    Recording.objects.filter(pk=recording.pk).update(mapping={"P_LV": "not there"})
    jobs.carry_out("analysis", run.pk)
    run.refresh_from_db()
    assert (run.state, run.attempts) == (RunState.FAILED, 1)
    assert run.failure
    again = analysis.start_analysis(by=by, recording=recording)
    assert again.pk != run.pk
