"""The ventricle written in closed form holds what its formulas say."""

import numpy as np
import pytest

from tests.simulators.second_ventricle import Settings, decay_curve, fitted_tau, simulate


@pytest.mark.parametrize("upstroke", ["logistic", "gompertz", "error function"])
@pytest.mark.parametrize("rate", [50, 110, 170])
def test_slopes_of_a_finely_sampled_pressure_are_the_analytic_ones(upstroke, rate):
    run = simulate(Settings(rate=rate, beats=3, upstroke=upstroke, dpdt_max=1500, relaxation_s=0.035), 20_000)
    slope = np.gradient(run.pressure_mmhg, run.time_s)
    assert slope.max() == pytest.approx(1500, rel=2e-3)
    assert slope.min() == pytest.approx(run.truth["dpdt_min"][0], rel=1e-2)
    assert np.abs(np.diff(run.pressure_mmhg)).max() < 1500 / 20_000 * 1.01 + 0.1 + abs(slope.min()) / 20_000


def test_an_exponential_gives_back_its_own_tau_with_an_asymptote_below_zero():
    decay, _ = decay_curve("exponential", 90, -15, 0.06)
    free, zero = fitted_tau(decay, 0.08)
    assert free == pytest.approx(0.06, rel=1e-4)
    assert zero < 0.06


@pytest.mark.parametrize("kind", ["logistic", "hyperbolic"])
def test_other_decays_start_where_asked_and_are_steepest_there(kind):
    decay, slope = decay_curve(kind, 90, 5, 0.05)
    t = np.linspace(0, 0.1, 5001)
    assert decay(t[0]) == pytest.approx(90)
    assert np.gradient(decay(t), t).min() == pytest.approx(slope, rel=1e-2)


def test_every_loop_of_an_occlusion_touches_the_end_systolic_line():
    run = simulate(Settings(beats=9, occlusion=0.35, end_diastolic_volume=210), 5000)
    v, p = run.truth["end_systolic_volume"], run.truth["end_systolic_pressure"]
    slope, intercept = np.polyfit(v, p, 1)
    assert slope == pytest.approx(0.95, rel=1e-6)
    assert -intercept / slope == pytest.approx(20, abs=1e-3)
    assert np.ptp(v) > 20
    assert np.max(run.pressure_mmhg - 0.95 * (run.volume_ml - 20)) < 0.05


def test_stroke_volume_is_that_of_the_signal_and_no_lag_means_no_internal_flow():
    run = simulate(Settings(beats=3))
    assert np.ptp(run.volume_ml) == pytest.approx(run.truth["stroke_volume"][0], rel=1e-3)
    assert run.internal_flow_fraction == pytest.approx(0, abs=1e-9)


def test_two_halves_move_blood_inside_only_when_one_fills_while_the_other_empties():
    def fraction(lag):
        return simulate(Settings(beats=3, shares=(0.5, 0.5), lags_s=(0, lag))).internal_flow_fraction

    assert fraction(0.02) == pytest.approx(0, abs=1e-9)  # shorter than the isovolumic phases
    assert 0 < fraction(0.12) < fraction(0.2)


def test_blood_exchanged_in_the_isovolumic_phases_is_internal_flow_and_leaves_the_volume_alone():
    still, moving = (simulate(Settings(beats=3, exchange_ml=ml)) for ml in (0.0, 12.0))
    assert np.abs(moving.volume_ml - still.volume_ml).max() < 1e-9
    assert 0 < moving.internal_flow_fraction < 12.0 / moving.truth["stroke_volume"][0]


def test_a_cycle_too_short_for_the_relaxation_is_refused():
    with pytest.raises(ValueError, match="too short"):
        simulate(Settings(rate=170, relaxation_s=0.12))
