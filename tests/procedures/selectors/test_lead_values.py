"""Electrode pairs: what counts for the site, limits, margins, curves."""

import datetime as dt

import pytest

from procedures.selectors.comparison import compare_session
from procedures.selectors.lead_values import electrode_grid, electrode_pairs, in_force
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
    assert compare_session(site.session).rows[0].measurement == own


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
    ],
)
def test_acceptable_by_threshold_and_phrenic_margin(site, volts, width, phrenic, none_up_to, verdict):
    """At most 2.5 V at 0.5 ms and phrenic at 2 : 1 (pacing vectors and phrenic stimulation, 132 patients, abstract)."""
    measured(
        site,
        capture_threshold_v=volts,
        pulse_width_ms=width,
        phrenic_threshold_v=phrenic,
        phrenic_none_up_to_v=none_up_to,
    )
    assert pairs(site)["LV3", "LV4"].acceptable is verdict


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
