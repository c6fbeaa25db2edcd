"""The database itself refuses what the trade rules out, with no form or service in between."""

import datetime as dt

import pytest
from django.db import IntegrityError, transaction

from procedures.metrics import METRICS
from procedures.models import EpochMetric, LeadMeasurement, Session, Site
from tests.factories import START, enter, make_epoch, make_measurement, make_session, make_site

pytestmark = pytest.mark.django_db


def refuses(model, pk, **values):
    with pytest.raises(IntegrityError), transaction.atomic():
        model.objects.filter(pk=pk).update(**values)


@pytest.mark.parametrize(
    ("field", "wrong", "right"),
    [
        ("capture_threshold_v", 12.1, 12.0),
        ("pulse_width_ms", 0.0, 0.02),
        ("sensed_r_wave_mv", -1.0, 50.0),
        ("impedance_ohm", 6000, 5000),
        ("phrenic_threshold_v", 20, 15),
        ("qrs_duration_ms", 1.5, 40),
    ],
)
def test_lead_measurement_outside_hard_range_refused(field, wrong, right):
    measurement = make_measurement(make_site())
    refuses(LeadMeasurement, measurement.pk, **{field: wrong})
    assert LeadMeasurement.objects.filter(pk=measurement.pk).update(**{field: right}) == 1


def test_phrenic_threshold_and_none_up_to_exclude_each_other():
    measurement = make_measurement(make_site(), phrenic_threshold_v=3.0)
    refuses(LeadMeasurement, measurement.pk, phrenic_none_up_to_v=10.0)


def test_threshold_without_pulse_width_refused():
    measurement = make_measurement(make_site())
    refuses(LeadMeasurement, measurement.pk, pulse_width_ms=None)


@pytest.mark.parametrize(
    "values",
    [
        {"reached": False},
        {"reached": True, "not_reached_reason": "stenosis"},
        {"aha_segment": 18},
        {"aha_segment": 0},
        {"long_axis": "middle"},
        {"label": "Baseline"},
    ],
)
def test_site_contradiction_refused(values):
    refuses(Site, make_site().pk, **values)


@pytest.mark.parametrize("metric", METRICS, ids=lambda metric: metric.key)
def test_metric_outside_its_hard_range_refused(metric):
    row = enter(make_epoch(), metric.key, (metric.soft_low + metric.soft_high) / 2)[0]
    refuses(EpochMetric, row.pk, mean=metric.hard_high + 1)
    refuses(EpochMetric, row.pk, mean=metric.hard_low - 1)
    assert EpochMetric.objects.filter(pk=row.pk).update(mean=metric.hard_high) == 1


def test_metric_with_unknown_key_refused():
    refuses(EpochMetric, enter(make_epoch())[0].pk, key="speed")


def test_computed_metric_without_run_refused():
    refuses(EpochMetric, enter(make_epoch())[0].pk, origin="computed")


def test_signed_session_without_signature_refused():
    refuses(Session, make_session().pk, status="signed")


def test_session_that_ends_before_it_starts_refused():
    refuses(Session, make_session().pk, ended_at=START - dt.timedelta(minutes=1))


def test_same_site_label_twice_in_a_session_refused():
    site = make_site(label="PL mid")
    other = make_site(site.tributary, label="PL apical")
    refuses(Site, other.pk, label="PL mid")
