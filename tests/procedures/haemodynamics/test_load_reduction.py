"""Load-reduction runs: made-up occlusions with a known end-systolic elastance, and what is refused."""

from __future__ import annotations

import numpy as np
import pytest

from procedures.haemodynamics import PressureVolumeSignals, Settings, analyse, load_reduction_run
from procedures.haemodynamics.contractility import relations
from procedures.haemodynamics.contractility.relations import LoadReductionError

EES, V0 = 1.5, 35.0


def occlusion(fall: float, seconds: float = 16.0) -> PressureVolumeSignals:
    """A ventricle whose active elastance is EES·(V − V0) at its peak and whose filling pressure falls from 5 s on."""
    steps = int(seconds * 1000)
    time = np.arange(steps) / 1000
    within = (time - 0.2) % 0.8
    active = np.where(within < 0.32, np.sin(np.pi * within / 0.64) ** 2, 0.0)
    active = np.where(within >= 0.32, np.maximum(np.cos(np.pi * (within - 0.32) / 0.3), 0.0) * (within < 0.47), active)
    filling = 14 * (1 - fall * np.clip((time - 5) / 9, 0, 1))
    volume, aorta = 150.0, 80.0
    pressures, volumes = np.empty(steps), np.empty(steps)
    for k in range(steps):
        passive = 0.045 * (volume - V0)
        pressure = active[k] * EES * (volume - V0) + (1 - active[k]) * passive
        pressures[k], volumes[k] = pressure, volume
        inflow, outflow = max(filling[k] - pressure, 0) / 0.012, max(pressure - aorta, 0) / 0.02
        volume += (inflow - outflow) / 1000
        aorta += (outflow - aorta / 1.1) / 1.2 / 1000
    return PressureVolumeSignals(1000.0, pressures, volume_ml=volumes)


def test_occlusion_gives_back_the_elastance() -> None:
    signals = occlusion(0.75)
    result = analyse(signals, settings=Settings(whole_breaths=False))
    run = load_reduction_run(signals, result, 0)
    assert run.refused == {}
    assert run.espvr is not None
    assert run.espvr.slope == pytest.approx(EES, rel=0.02)
    assert run.espvr.intercept == pytest.approx(V0, abs=2.0)
    assert run.espvr_curved is None  # not asked for
    assert run.prsw is not None
    assert 0 < run.prsw.slope_low < run.prsw.slope < run.prsw.slope_high
    assert run.dpdt_max_edv is not None
    edv = result.beats.metrics["edv_ml"][run.beats]
    assert edv[0] == edv.max()
    assert edv[-1] == edv.min()
    assert np.ptp(edv) > 0.3 * edv.max()


def test_run_with_too_small_a_fall_is_refused() -> None:
    signals = occlusion(0.05)
    result = analyse(signals, settings=Settings(whole_breaths=False))
    with pytest.raises(LoadReductionError, match=r"EDV falls by only|usable beats"):
        load_reduction_run(signals, result, 0)


def test_run_without_volume_is_refused() -> None:
    signals = PressureVolumeSignals(1000.0, occlusion(0.7).pressure_mmhg)
    with pytest.raises(LoadReductionError, match="volume channel"):
        load_reduction_run(signals, analyse(signals), 0)


EDV = np.linspace(200, 140, 8)


def test_curved_relation_is_recovered() -> None:
    esv = np.linspace(140, 90, 8)
    found = relations.espvr_curved(esv, -0.004 * (esv - 30) ** 2 + 1.4 * (esv - 30), EDV)
    assert (found.ees_mmhg_per_ml, found.v0_ml, found.curvature) == pytest.approx((1.4, 30, -0.004))


def test_exponential_relation_is_recovered() -> None:
    found = relations.edpvr(EDV, 0.6 * np.exp(0.018 * EDV))
    assert (found.scale_mmhg, found.stiffness_per_ml) == pytest.approx((0.6, 0.018), rel=1e-4)
    rng = np.random.default_rng(2)
    noisy = relations.edpvr(EDV, 0.6 * np.exp(0.018 * EDV) + 0.3 * rng.standard_normal(8))
    assert noisy.stiffness_low < 0.018 < noisy.stiffness_high


def test_what_cannot_be_fitted_is_refused() -> None:
    with pytest.raises(LoadReductionError, match="usable beats"):
        relations.espvr(EDV[:3], EDV[:3], EDV[:3])
    with pytest.raises(LoadReductionError, match="not clearly above zero"):
        relations.fit_line(EDV, -EDV)
    with pytest.raises(LoadReductionError, match="above zero"):
        relations.edpvr(EDV, EDV - 150)
    with pytest.raises(LoadReductionError, match="zero pressure"):
        relations.espvr_curved(EDV, 100 + 0.01 * (EDV - 170) ** 2, EDV)
