"""Epochs and typed metrics."""

import datetime as dt
from contextlib import nullcontext

import pytest

from procedures.metrics import BY_KEY
from procedures.models import EpochMetric
from procedures.services.epochs import TypedMetric, enter_metrics, put_epoch, put_pacing
from procedures.services.recordings import store_recording
from registry.errors import Conflict, NeedsConfirmation, RuleBroken
from tests.factories import START, enter, make_epoch, make_session, make_site, make_tributary, writer_of
from tests.signals import Uploaded, pressure_volume_csv

pytestmark = pytest.mark.django_db
KEY = "dpdt_max_mmhg_per_s"


def test_epoch_of_a_site_never_reached_refused():
    site = make_site(reached=False, not_reached_reason="tortuosity")
    with pytest.raises(RuleBroken, match="not reached"):
        make_epoch(site=site)


def test_epoch_that_ends_before_it_starts_refused_beside_its_field():
    session = make_session()
    with pytest.raises(RuleBroken) as caught:
        put_epoch(
            by=writer_of(session.centre),
            session=session,
            site=None,
            started_at=START,
            ended_at=START - dt.timedelta(seconds=1),
        )
    assert caught.value.fields == {"ended_at": ["The end is before the start."]}


def test_unknown_metric_refused_and_nothing_written():
    epoch = make_epoch()
    metrics = {KEY: TypedMetric(900), "speed": TypedMetric(3)}
    with pytest.raises(RuleBroken) as caught:
        enter_metrics(by=writer_of(epoch.session.centre), epoch=epoch, metrics=metrics)
    assert list(caught.value.fields) == ["speed"]
    assert not EpochMetric.objects.exists()


def test_metric_outside_hard_range_names_the_range():
    with pytest.raises(RuleBroken) as caught:
        enter(make_epoch(), KEY, 9000)
    assert caught.value.fields[KEY] == ["dP/dt max: enter a value from 200 to 4000 mmHg/s."]


def test_unusual_metric_asks_once():
    epoch = make_epoch()
    with pytest.raises(NeedsConfirmation):
        enter(epoch, KEY, 2600)
    assert enter(epoch, KEY, 2600, confirmed=True)[0].unusual is True


def test_typed_metric_corrected_under_its_version_only():
    epoch = make_epoch()
    by = writer_of(epoch.session.centre)
    enter(epoch, KEY, 900)
    with pytest.raises(Conflict):
        enter_metrics(by=by, epoch=epoch, metrics={KEY: TypedMetric(950, 40, 30)})
    corrected = enter_metrics(by=by, epoch=epoch, metrics={KEY: TypedMetric(950, 40, 30, version=1)})
    assert (corrected[0].mean, corrected[0].version) == (950, 2)


def test_equal_pacing_configuration_is_found_again():
    session = make_session()
    by = writer_of(session.centre)
    first = put_pacing(by=by, session=session, chambers="biv", av_delay_ms=120, vv_delay_ms=0)
    assert put_pacing(by=by, session=session, chambers="biv", av_delay_ms=120, vv_delay_ms=0) == first
    assert put_pacing(by=by, session=session, chambers="biv", av_delay_ms=120) != first


def test_site_of_another_session_is_not_found():
    site = make_site(make_tributary())
    with pytest.raises(type(site).DoesNotExist):
        make_epoch(session=make_session(), site=site)


@pytest.fixture
def recording(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path
    session = make_session()
    return store_recording(
        by=writer_of(session.centre),
        session=session,
        upload=Uploaded(pressure_volume_csv(30)),
        original_name="a.csv",
        started_at=START,
    )


def test_recording_of_another_session_is_not_found(recording):
    with pytest.raises(type(recording).DoesNotExist):
        make_epoch(length_s=10, recording=recording, recording_start_s=0.0, recording_end_s=10.0)


def test_times_that_are_not_those_of_the_stretch_refused(recording):
    stretch = {"recording": recording, "recording_start_s": 5.0, "recording_end_s": 15.0}
    with pytest.raises(RuleBroken) as caught:
        make_epoch(recording.session, start_s=0, length_s=15, **stretch)
    assert list(caught.value.fields) == ["started_at"]
    assert make_epoch(recording.session, start_s=5, length_s=10, **stretch).recording == recording


@pytest.mark.parametrize(("off_s", "refused"), [(1, False), (1.5, True), (-1, False), (-1.5, True)])
def test_times_may_be_a_second_off_the_stretch_and_no_more(recording, off_s, refused):
    stretch = {"recording": recording, "recording_start_s": 5.0, "recording_end_s": 15.0}
    with pytest.raises(RuleBroken, match="do not match its stretch") if refused else nullcontext():
        make_epoch(recording.session, start_s=5, length_s=10 + off_s, **stretch)


@pytest.mark.parametrize("value", [BY_KEY[KEY].soft_low, BY_KEY[KEY].soft_high])
def test_a_metric_at_the_end_of_its_usual_range_is_usual(value):
    assert [one.unusual for one in enter(make_epoch(), KEY, value)] == [False]


@pytest.mark.parametrize("value", [BY_KEY[KEY].hard_low, BY_KEY[KEY].hard_high])
def test_a_metric_at_the_end_of_what_is_possible_is_taken_once_confirmed(value):
    assert [one.unusual for one in enter(make_epoch(), KEY, value, confirmed=True)] == [True]
