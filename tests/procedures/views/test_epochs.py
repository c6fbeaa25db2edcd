"""Typing epochs."""

import pytest
from django.urls import reverse

from procedures.models import Epoch, EpochMetric, Origin
from tests import factories as make
from tests.procedures.views.filling import fill, messages_of

TYPED = {"state": "baseline", "started_at": "2026-03-02T09:10:00", "duration_s": "30", "sv_ml": "52,4"}


@pytest.fixture
def type_epoch(doctor, session):
    url = reverse("procedures:new_epoch", args=[session.pk])
    return lambda **typed: doctor.post(url, fill(doctor.get(url), **(TYPED | typed)))


def test_baseline_is_typed_with_duration_metrics_and_pacing(type_epoch):
    answer = type_epoch(sv_ml__sd="3", sv_ml__beats="28", chambers="rv", av_delay_ms="150", vv_delay_ms=None)
    epoch = Epoch.objects.get()
    metric = epoch.metrics.get()
    assert answer.url.endswith("#epochs")
    assert epoch.site is None
    assert (epoch.ended_at - epoch.started_at).total_seconds() == 30
    assert (metric.mean, metric.sd, metric.beats, metric.origin) == (52.4, 3, 28, Origin.ENTERED)
    assert (epoch.pacing.chambers, epoch.pacing.av_delay_ms) == ("rv", 150)


def test_epoch_of_a_site_may_have_a_negative_delay_and_no_metrics(type_epoch, session):
    site = make.make_site(make.make_tributary(session))
    type_epoch(state=str(site.pk), sv_ml=None, chambers="biv", vv_delay_ms="−40")
    epoch = Epoch.objects.get()
    assert epoch.site == site
    assert epoch.pacing.vv_delay_ms == -40
    assert not epoch.metrics.exists()


def test_same_form_twice_writes_one_epoch(doctor, session):
    url = reverse("procedures:new_epoch", args=[session.pk])
    data = fill(doctor.get(url), **TYPED)
    assert doctor.post(url, data).status_code == 302
    assert doctor.post(url, data).status_code == 302
    assert Epoch.objects.count() == 1
    assert EpochMetric.objects.count() == 1


@pytest.mark.parametrize(
    ("typed", "message"),
    [
        ({"state": None}, "State: choose one."),
        ({"duration_s": None}, "Enter the end or the duration."),
        ({"duration_s": "0"}, "Duration: enter seconds above 0, at most 86400."),
        ({"duration_s": None, "ended_at": "2026-03-02T09:00:00"}, "The end must be after the start."),
        ({"ended_at": "2026-03-02T09:15:00"}, "End and duration do not agree. Enter only one of them."),
        ({"sv_ml": "two"}, "Stroke volume, mean: enter only a number, in mL."),
        ({"sv_ml": "900"}, "Stroke volume: enter a value from 2 to 300 mL."),
        ({"sv_ml": None, "sv_ml__sd": "3"}, "Stroke volume: enter the mean too."),
        ({"sv_ml__sd": "-3"}, "Stroke volume: the SD must be 0 or more."),
        ({"sv_ml__beats": "0"}, "Stroke volume: enter at least 1 beat."),
        ({"av_delay_ms": "150"}, "Paced chambers: choose them, because a rate or delay was entered."),
        ({"chambers": "biv", "av_delay_ms": "900"}, "AV delay: enter a value from 10 to 400 ms, or leave it empty."),
    ],
)
def test_epoch_says_what_is_wrong_and_writes_nothing(type_epoch, typed, message):
    answer = type_epoch(**typed)
    assert answer.status_code == 422
    assert message in messages_of(answer)
    assert not Epoch.objects.exists()


def test_unusual_metric_is_asked_for_once_and_kept_flagged(doctor, session, type_epoch):
    asked = type_epoch(sv_ml="200")
    assert asked.status_code == 422
    assert not Epoch.objects.exists()
    doctor.post(reverse("procedures:new_epoch", args=[session.pk]), fill(asked, confirmed="on"))
    assert EpochMetric.objects.get().unusual


def test_site_not_reached_is_not_offered(doctor, session):
    make.make_site(make.make_tributary(session), "PL far", reached=False, not_reached_reason="stenosis")
    text = doctor.get(reverse("procedures:new_epoch", args=[session.pk])).content.decode()
    assert "PL far" not in text


@pytest.fixture
def stored(session):
    epoch = make.make_epoch(session)
    make.enter(epoch, "sv_ml", 50)
    return epoch


@pytest.fixture
def correct(doctor, session, stored):
    url = reverse("procedures:epoch", args=[session.pk, stored.pk])
    return lambda **typed: doctor.post(url, fill(doctor.get(url), **typed))


def test_typed_metric_is_corrected(correct, stored):
    assert correct(sv_ml="51").status_code == 302
    metric = stored.metrics.get()
    assert (metric.mean, metric.version) == (51, 2)


def test_metric_corrected_by_somebody_else_is_a_conflict(doctor, session, stored):
    url = reverse("procedures:epoch", args=[session.pk, stored.pk])
    data = fill(doctor.get(url), sv_ml="51")
    assert doctor.post(url, data).status_code == 302
    answer = doctor.post(url, data | {"sv_ml": "53"})
    assert answer.status_code == 409
    assert stored.metrics.get().mean == 51
    assert [(d.yours, d.stored) for d in answer.context["form"].conflict] == [("53.0", "51.0")]
    assert doctor.post(url, fill(answer)).status_code == 302
    assert stored.metrics.get().mean == 53


def test_stored_metric_cannot_be_emptied(correct, stored):
    answer = correct(sv_ml=None, sv_ml__sd=None, sv_ml__beats=None)
    assert answer.status_code == 422
    assert "cannot be cleared" in messages_of(answer)[0]
    assert stored.metrics.get().mean == 50


def test_epoch_is_left_out_with_a_reason(correct, stored):
    correct(excluded_reason="Cough")
    stored.refresh_from_db()
    assert stored.excluded_reason == "Cough"


def test_epoch_of_another_session_is_not_found(doctor, session):
    other = make.make_epoch()
    assert doctor.get(reverse("procedures:epoch", args=[session.pk, other.pk])).status_code == 404
