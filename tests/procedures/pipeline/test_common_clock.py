import numpy as np
import pytest

from procedures.pipeline.common_clock import resample


def tone(hz, rate, seconds=4.0):
    return np.sin(2 * np.pi * hz * np.arange(round(seconds * rate)) / rate)


@pytest.mark.parametrize(("rate", "target"), [(250, 1000), (333, 1000), (500, 1000), (2000, 1000), (1000, 250)])
def test_slow_wave_is_kept(rate, target):
    got = resample(tone(5, rate), rate, target, 4 * target)
    expected = tone(5, target)
    inner = slice(target // 5, -target // 5)
    np.testing.assert_allclose(got[inner], expected[inner], atol=2e-3)


def test_what_the_new_clock_cannot_carry_does_not_come_back_as_a_slow_wave():
    got = resample(tone(240, 2000), 2000, 250, 1000)  # folded, it would be a wave of 10 Hz
    assert np.abs(got[50:-50]).max() < 0.02


def test_missing_stretch_stays_missing():
    samples = tone(5, 250)
    samples[250:500] = np.nan
    got = resample(samples, 250, 1000, 4000)
    assert np.isnan(got[1010:1990]).all()
    assert np.isfinite(got[:990]).all()
    assert np.isfinite(got[2010:]).all()


def test_signal_that_ends_early_is_missing_from_there():
    got = resample(tone(5, 250, 2.0), 250, 1000, 4000)
    assert np.isfinite(got[:2000]).all()
    assert np.isnan(got[2000:]).all()


def test_signal_without_values_is_missing_throughout():
    assert np.isnan(resample(np.full(100, np.nan), 250, 1000, 400)).all()
