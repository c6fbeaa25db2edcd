"""Worked numbers for pressure-volume analysis, each worked out from the published formula named beside it.

The vectors are those of the project's reference sheet, sections 1.1 to 1.4, marked [derived] there: computed from the
formula without this program.
"""

from __future__ import annotations

import numpy as np
import pytest

from procedures.haemodynamics.beat_metrics.dispersion import dispersion_ms
from procedures.haemodynamics.beat_metrics.dyssynchrony import dyssynchrony_percent, internal_flow_percent
from procedures.haemodynamics.beat_metrics.loop import loop_area
from procedures.haemodynamics.beat_metrics.relaxation import tau_exponential_ms, tau_logistic_ms, tau_zero_asymptote_ms
from procedures.haemodynamics.conditioning.calibration import (
    Calibration,
    CalibrationError,
    Convention,
    calibrated_volume_ml,
    parallel_volume,
    raw_volume_ml,
    slope_factor,
)
from procedures.haemodynamics.contractility import relations

JOULE_PER_MMHG_ML = 1.333224e-4  # NIST SP 811, conversion of mmHg and mL


# Baan et al., Circulation 1984;70:812: V = rho·L²·G, two ways of taking off the parallel volume
def test_conductance_to_volume_in_both_conventions() -> None:
    assert raw_volume_ml(np.array([1600.0]), 150.0, 1.0)[0] == pytest.approx(240)
    subtract = Calibration(150.0, 1.0, alpha=0.8, parallel_ml=80.0)
    scale = Calibration(150.0, 1.0, alpha=0.8, parallel_ml=100.0, convention=Convention.SCALE_THEN_SUBTRACT)
    for calibration in (subtract, scale):
        assert calibrated_volume_ml(np.array([1600.0]), calibration)[0] == pytest.approx(200)


def test_slope_factor() -> None:
    assert slope_factor(60, 75) == pytest.approx(0.80)


# Herrera et al., Med Biol Eng Comput 1999;37:169: ESV on EDV over the rising limb, meeting ESV = EDV
def test_saline_wash_in() -> None:
    found = parallel_volume(np.array([200.0, 210, 220, 230, 240]), np.array([150.0, 156, 162, 168, 174]))
    assert (found.slope, found.intercept_ml, found.parallel_ml) == pytest.approx((0.60, 30, 75))


@pytest.mark.parametrize(
    ("edv", "esv"),
    [
        ([200.0, 210, 220], [150.0, 156, 162]),  # three beats
        ([200.0, 210, 220, 230], [150.0, 161, 172, 183]),  # slope above 1
        ([200.0, 210, 220, 230], [150.0, 140, 165, 130]),  # r below 0.65
        ([200.0, 210, 220, 230], [150.0, 159.9, 169.8, 179.7]),  # meets only below zero
        ([200.0, 201, 202, 203], [150.0, 150.6, 151.2, 151.8]),  # EDV hardly rises
    ],
)
def test_saline_wash_in_is_refused(edv: list[float], esv: list[float]) -> None:
    with pytest.raises(CalibrationError):
        parallel_volume(np.array(edv), np.array(esv))


# Steendijk et al., Am J Physiol Heart Circ Physiol 2004;286:H723 (definitions from memory)
def test_dyssynchrony_internal_flow_and_dispersion() -> None:
    slopes = np.array([[-2.0, -3, 1, 4], [-1, 1, 1, 2], [1, -2, -3, 3]])[:, None]
    each = dyssynchrony_percent(slopes)[:, 0]
    assert each.tolist() == pytest.approx([25, 50, 25])
    assert each.mean() == pytest.approx(33.33, abs=0.01)
    assert internal_flow_percent(slopes)[0] == pytest.approx(25.0)
    lags = np.array([[-30.0], [-10], [0], [15], [25]])
    assert dispersion_ms(lags)[0] == pytest.approx(43.01, abs=0.01)  # the n − 1 SD; with n it would be 38.47


# Weiss et al., J Clin Invest 1976;58:751; Raff and Glantz, Circ Res 1981;48:813; samples every 5 ms, 0 to 60 ms
@pytest.mark.parametrize(("asymptote", "span", "zero_tau"), [(0, 60, 50.00), (-10, 80, 37.81), (5, 60, 57.82)])
def test_relaxation_of_an_exponential(asymptote: float, span: float, zero_tau: float) -> None:
    time = np.arange(0.0, 61.0, 5.0)
    pressure = (span * np.exp(-time / 50) + asymptote)[None]
    inside = np.ones(pressure.shape, dtype=bool)
    assert tau_zero_asymptote_ms(time, pressure, inside)[0] == pytest.approx(zero_tau, abs=0.01)
    tau, offset = tau_exponential_ms(time, pressure, inside)
    assert tau[0] == pytest.approx(50.00, abs=0.01)
    assert offset[0] == pytest.approx(asymptote, abs=0.01)


# Matsubara et al., Circulation 1995;92:2318: PA 140, PB −5, tauL 30 ms
def test_relaxation_of_a_logistic() -> None:
    time = np.array([0.0, 10, 20, 30, 50, 60, 70])
    pressure = 140 / (1 + np.exp(time / 30)) - 5
    assert pressure[:5].tolist() == pytest.approx([65.0, 53.440, 42.494, 32.652, 17.242], abs=0.001)
    tau, offset = tau_logistic_ms(time, pressure[None], np.ones((1, 7), dtype=bool))
    assert (tau[0], offset[0]) == pytest.approx((30, -5), rel=1e-3)


@pytest.mark.parametrize(
    ("volume", "pressure", "expected"),
    [
        ([200.0, 200, 140, 140], [10.0, 100, 100, 10], 5400),
        ([200.0, 200, 170, 140, 140, 170], [10.0, 80, 110, 95, 8, 6], 5475),
    ],
)
def test_stroke_work_of_polygons(volume: list[float], pressure: list[float], expected: float) -> None:
    v, p = np.array([*volume, volume[0]]), np.array([*pressure, pressure[0]])
    start, stop = np.array([0]), np.array([v.size - 1])
    assert loop_area(p, v, start, stop)[0] == pytest.approx(expected)
    assert loop_area(p[::-1], v[::-1], start, stop)[0] == pytest.approx(expected)
    if expected == 5475:  # cycle efficiency of the second: 0.8774; in joules 0.72994
        assert expected / (np.ptp(p) * np.ptp(v)) == pytest.approx(0.8774, abs=1e-4)
        assert expected * JOULE_PER_MMHG_ML == pytest.approx(0.72994, abs=1e-5)


# Suga, Physiol Rev 1990;70:247; Sunagawa et al., Am J Physiol 1983;245:H773: ESP 95, EDV 200, ESV 140, V0 20
def test_energetics_of_one_beat() -> None:
    ees = 95 / (140 - 20)
    energy = relations.potential_energy_mmhg_ml(np.array([95.0]), np.array([140.0]), 20)
    area = relations.pressure_volume_area_mmhg_ml(np.array([5475.0]), energy)
    assert ees == pytest.approx(0.7917, abs=1e-4)
    assert relations.coupling_ratio(95 / 60, ees) == pytest.approx(2.0)
    assert (energy[0], area[0]) == pytest.approx((5700, 11175))
    assert 5475 / area[0] == pytest.approx(0.4899, abs=1e-4)


EDV = np.array([200.0, 190, 180, 170, 160])


# Suga and Sagawa, Circ Res 1974;35:117; Glower et al., Circulation 1985;71:994
def test_end_systolic_relation_and_recruitable_work() -> None:
    espvr = relations.espvr(np.array([140.0, 130, 120, 110, 100]), np.array([95, 87, 79.5, 71, 64]), EDV)
    assert (espvr.slope, espvr.intercept) == pytest.approx((0.780, 18.33), abs=0.005)
    prsw = relations.preload_recruitable_stroke_work(EDV, np.array([5400.0, 4930, 4480, 4000, 3550]))
    assert (prsw.slope, prsw.intercept) == pytest.approx((46.3, 83.41), abs=0.01)


# scipy.stats and a Monte Carlo of our own cannot both be wrong: the interval of V0 covers at its rate
def test_interval_of_the_intercept_covers_at_its_rate() -> None:
    rng = np.random.default_rng(4)
    x = np.linspace(100, 160, 8)
    hits = 0
    for _ in range(1000):
        relation = relations.fit_line(x, 0.8 * (x - 20) + rng.normal(0, 3, x.size))
        hits += relation.intercept_low <= 20 <= relation.intercept_high
    assert 0.93 <= hits / 1000 <= 0.97
