"""Conductance to volume: several calibrations in turn, a made-up wash-in, and what is refused."""

from __future__ import annotations

import re

import numpy as np
import pytest

from procedures.haemodynamics.conditioning.calibration import (
    Calibration,
    CalibrationError,
    calibrate,
    calibrated_volume_ml,
    parallel_volume,
    rising_limb,
    slope_factor,
)


def test_calibration_round_trip_through_conductances() -> None:
    rng = np.random.default_rng(1)
    volume = rng.uniform(10, 60, (5, 100))
    constants = Calibration(140.0, 1.1, alpha=0.7, parallel_ml=90.0)
    raw = volume * constants.alpha + constants.parallel_ml / 5
    conductance = 1000 * raw / (constants.resistivity_ohm_cm * constants.spacing_cm**2)
    np.testing.assert_allclose(calibrated_volume_ml(conductance, constants), volume)


def test_each_calibration_holds_from_its_time_on() -> None:
    time = np.arange(10.0)
    conductance = np.ones((3, 10)) * 100
    first, second = Calibration(150, 1, valid_from_s=2.0), Calibration(150, 1, alpha=0.5, valid_from_s=6.0)
    volume = calibrate(conductance, time, [second, first])
    assert np.isnan(volume[:, :2]).all()
    np.testing.assert_allclose(volume[:, 2:6], 15)
    np.testing.assert_allclose(volume[:, 6:], 30)


def test_calibrations_that_cannot_be_are_refused() -> None:
    with pytest.raises(CalibrationError, match="No calibration"):
        calibrate(np.ones(3), np.arange(3.0), [])
    with pytest.raises(CalibrationError, match="same moment"):
        calibrate(np.ones(3), np.arange(3.0), [Calibration(150, 1), Calibration(140, 1)])
    with pytest.raises(CalibrationError, match="alpha"):
        Calibration(150, 1, alpha=0)
    with pytest.raises(CalibrationError, match="above zero"):
        slope_factor(0, 70)
    with pytest.raises(CalibrationError, match="Alpha"):
        slope_factor(700, 70)


def wash_in(rng: np.random.Generator, noise: float) -> tuple[np.ndarray, np.ndarray]:
    """Beats of a saline bolus: both volumes scale with blood conductivity, on top of a parallel 85 mL."""
    gain = np.concatenate((np.ones(5), np.linspace(1, 1.18, 10), np.linspace(1.18, 1.02, 25)))
    return tuple(85 + gain * true + noise * rng.standard_normal(gain.size) for true in (190.0, 130.0))


def test_wash_in_with_a_known_parallel_volume() -> None:
    edv, esv = wash_in(np.random.default_rng(2), 0.0)
    limb = rising_limb(edv)
    assert 4 <= limb.start <= 6
    assert limb.stop == int(edv.argmax()) + 1
    assert parallel_volume(edv[limb], esv[limb]).parallel_ml == pytest.approx(85, abs=0.01)
    assert parallel_volume(edv[limb], esv[limb], "edv_on_esv").parallel_ml == pytest.approx(85, abs=0.01)


def test_standard_error_of_the_parallel_volume_is_its_spread() -> None:
    rng = np.random.default_rng(3)
    found = []
    for _ in range(400):
        edv, esv = wash_in(rng, 0.0)
        limb = rising_limb(edv)
        found.append(parallel_volume(edv[limb], esv[limb] + 0.25 * rng.standard_normal(limb.stop - limb.start)))
    spread = np.std([item.parallel_ml for item in found])
    assert np.sqrt(np.mean([item.standard_error_ml**2 for item in found])) == pytest.approx(spread, rel=0.15)


def test_wide_interval_is_refused_with_its_figure() -> None:
    rng = np.random.default_rng(5)
    kept, refused = [], []
    for _ in range(200):
        gain = np.linspace(1, 1.1, 8)
        edv = 60 + 150 * gain + rng.standard_normal(gain.size)
        esv = 60 + 90 * gain + rng.standard_normal(gain.size)
        try:
            kept.append(parallel_volume(edv, esv))
        except CalibrationError as error:
            refused.append(str(error))
    assert sum(bool(re.search(r"95 % interval -?\d+ to \d+ mL", text)) for text in refused) > 80
    assert len(refused) > 100  # 1 mL of noise on so small a rise leaves the volume open by 20 mL
    widths = np.array([(one.high_ml - one.low_ml) / 2 for one in kept])
    assert (widths <= 0.075 * 225).all()
    assert all(one.low_ml < one.parallel_ml < one.high_ml for one in kept)


def test_unknown_way_to_regress_is_refused() -> None:
    edv, esv = wash_in(np.random.default_rng(2), 0.0)
    with pytest.raises(ValueError, match="regress"):
        parallel_volume(edv[4:15], esv[4:15], "both")
