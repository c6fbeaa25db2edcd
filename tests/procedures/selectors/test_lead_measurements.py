"""Electrode pairs: what counts for the site, limits, margins, curves."""

import datetime as dt

import pytest

from procedures.selectors.comparison import compare_session
from procedures.selectors.completeness import answers_to_check
from procedures.selectors.lead_measurements import electrode_grid, electrode_pairs, in_force, site_pair
from tests import factories as make

pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    return make.make_site(label="PL mid", cathode="LV3", anode="LV4")


def measured(site, minutes=0, **values):
    at = make.START + dt.timedelta(minutes=minutes)
    filled = {"measured_at": at, "capture_threshold_v": None, "pulse_width_ms": None} | values
    return make.make_measurement(site, confirmed=True, **filled)


def pairs(site):
    return {(p.cathode, p.anode): p for p in electrode_pairs(site, list(site.measurements.all()))}


def test_another_pair_or_a_point_of_the_curve_does_not_stand_for_the_site(site):
    own = measured(site, 0, capture_threshold_v=1.3, pulse_width_ms=0.5, sensed_r_wave_mv=9.0)
    measured(site, 1, capture_threshold_v=0.4, pulse_width_ms=0.5, cathode="LV1", anode="LV2")
    measured(site, 2, capture_threshold_v=0.9, pulse_width_ms=1.0)
    assert in_force(site, site.measurements.all()) == [own]
    make.make_epoch(site=site)
    assert compare_session(site.session).rows[0].pair.threshold == own


def test_a_lone_point_of_the_curve_is_better_than_nothing(site):
    point = measured(site, capture_threshold_v=0.9, pulse_width_ms=1.0)
    assert in_force(site, site.measurements.all()) == [point]


def test_the_sites_electrodes_named_again_are_its_own(site):
    again = measured(site, capture_threshold_v=1.2, pulse_width_ms=0.5, cathode="LV3", anode="LV4")
    assert in_force(site, site.measurements.all()) == [again]
    assert pairs(site)["LV3", "LV4"].own


@pytest.mark.parametrize(
    ("volts", "width", "phrenic", "none_up_to", "verdict"),
    [
        (2.5, 0.5, 5.0, None, True),
        (2.6, 0.5, 9.0, None, False),
        (1.0, 0.5, 1.9, None, False),
        (1.0, 0.5, None, 2.0, True),
        (2.0, 0.5, None, 3.0, None),
        (1.0, 0.4, 5.0, None, None),
        (1.0, 0.5, None, None, None),
        (4.0, 1.0, None, 10.0, False),
        (6.0, 1.5, None, None, False),
        (5.0, 0.4, None, 12.0, None),
    ],
)
def test_acceptable_by_threshold_and_phrenic_margin(site, volts, width, phrenic, none_up_to, verdict):
    """At most 2.5 V at 0.5 ms and phrenic at 2 : 1 (Klein et al., Europace 2012;14:826, abstract; authors from memory).

    Above the limit at a wider pulse breaks it as well: thresholds fall with width (Geddes, IEEE Trans Biomed Eng
    2004;51:176).
    """
    measured(
        site,
        capture_threshold_v=volts,
        pulse_width_ms=width,
        phrenic_threshold_v=phrenic,
        phrenic_none_up_to_v=none_up_to,
    )
    assert pairs(site)["LV3", "LV4"].acceptable is verdict


@pytest.mark.parametrize(
    ("values", "concerns", "not_judged"),
    [
        ((4.0, 1.0, None, 10.0), ["threshold 4 V above 2.5 V at 1 ms"], []),
        ((6.0, 1.5, None, None), ["threshold 6 V above 2.5 V at 1.5 ms"], ["phrenic stimulation not tested"]),
        ((5.0, 0.4, 12.0, None), [], ["threshold at 0.4 ms"]),
        ((2.0, 1.0, 5.0, None), [], ["threshold at 1 ms"]),
        ((None, None, None, None), [], ["no threshold", "phrenic stimulation not tested"]),
        ((None, None, 5.0, None), [], ["no threshold", "phrenic stimulation without a capture threshold"]),
        ((2.0, 0.5, None, 3.0), [], ["phrenic stimulation tested only to 3 V, below twice the threshold"]),
        ((2.0, 0.5, 3.0, None), ["phrenic stimulation at 1.5 times the capture threshold"], []),
        ((1.0, 0.5, None, 10.0), [], []),
    ],
)
def test_what_breaks_a_limit_and_what_cannot_be_judged_is_said_in_words(site, values, concerns, not_judged):
    volts, width, phrenic, none_up_to = values
    measured(
        site,
        capture_threshold_v=volts,
        pulse_width_ms=width,
        phrenic_threshold_v=phrenic,
        phrenic_none_up_to_v=none_up_to,
        impedance_ohm=600.0,
    )
    pair = site_pair(site, site.measurements.all())
    assert (pair.concerns, pair.not_judged) == (concerns, not_judged)


def test_later_breach_at_a_wider_pulse_stands_over_an_earlier_good_threshold(site):
    measured(site, 0, capture_threshold_v=1.0, pulse_width_ms=0.5)
    measured(site, 1, capture_threshold_v=4.0, pulse_width_ms=1.0)
    assert site_pair(site, site.measurements.all()).threshold_ok is False
    measured(site, 2, capture_threshold_v=0.9, pulse_width_ms=1.0)
    assert site_pair(site, site.measurements.all()).threshold_ok is False
    measured(site, 3, capture_threshold_v=1.2, pulse_width_ms=0.5)
    assert site_pair(site, site.measurements.all()).threshold_ok is True


def test_quantity_measured_last_does_not_hide_the_threshold_before_it(site):
    measured(site, 0, capture_threshold_v=3.0, pulse_width_ms=0.5, phrenic_none_up_to_v=10.0)
    measured(site, 1, impedance_ohm=640.0)
    row = compare_session(site.session).rows[0]
    assert row.concerns == ["threshold 3 V above 2.5 V at 0.5 ms"]
    (answer,) = [a for a in answers_to_check(site.session) if a.question.startswith("Site")]
    assert "threshold not measured" not in answer.said


def test_site_without_measurement_has_nothing_judged(site):
    assert compare_session(site.session).rows[0].not_judged == ["no threshold", "phrenic stimulation not tested"]


def test_phrenic_at_another_pulse_width_is_not_compared(site):
    measured(site, 0, capture_threshold_v=1.0, pulse_width_ms=0.5)
    measured(site, 1, phrenic_threshold_v=3.0, pulse_width_ms=1.0)
    assert pairs(site)["LV3", "LV4"].ratio is None


def test_curve_energy_and_margin_by_pair(site):
    """Rheobase 1 V and chronaxie 0.4 ms: 1.8 V at 0.5 ms, 1.4 V at 1.0 ms; E = V² t / R."""
    measured(site, 0, capture_threshold_v=1.8, pulse_width_ms=0.5, impedance_ohm=600.0)
    measured(site, 1, capture_threshold_v=1.4, pulse_width_ms=1.0)
    measured(site, 2, output_v=2.5, output_width_ms=0.4)
    measured(site, 3, capture_threshold_v=5.0, pulse_width_ms=0.3, cathode="LV1", anode="LV2")
    pair = pairs(site)["LV3", "LV4"]
    assert pair.curve.rheobase_v == pytest.approx(1.0)
    assert pair.curve.chronaxie_ms == pytest.approx(0.4)
    assert pair.points[0].energy_uj == pytest.approx(1.8**2 * 0.5 / 600 * 1000)
    assert pair.margin == pytest.approx(2.5 / 2.0)
    assert "curve" in pair.margin_from
    measured(site, 4, capture_threshold_v=1.25, pulse_width_ms=0.4)
    assert pairs(site)["LV3", "LV4"].margin == pytest.approx(2.0)


def test_thresholds_that_do_not_fall_are_said_not_fitted(site):
    measured(site, 0, capture_threshold_v=1.0, pulse_width_ms=0.5)
    measured(site, 1, capture_threshold_v=2.0, pulse_width_ms=1.0)
    pair = pairs(site)["LV3", "LV4"]
    assert pair.curve is None
    assert "do not fall" in pair.curve_refusal


def test_grid_holds_every_cathode_and_anode_once(site):
    measured(site, capture_threshold_v=1.0, pulse_width_ms=0.5, cathode="LV2", anode="SVC coil")
    grid = electrode_grid(site, list(site.measurements.all()))
    assert grid.cathodes == ("LV1", "LV2", "LV3", "LV4")
    assert grid.anodes == ("LV1", "LV2", "LV3", "LV4", "RV coil", "Can", "SVC coil")
    filled = [(c, a) for c, cells in grid.rows for a, pair in cells if pair]
    assert filled == [("LV2", "SVC coil")]
