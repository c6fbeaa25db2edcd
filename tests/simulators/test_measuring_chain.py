"""The measuring chain against what a second-order system, a unit and a mis-wired segment do by definition."""

import numpy as np
import pytest
from scipy.signal import argrelextrema

from tests.simulators.measuring_chain import Pressure, Segments, measure_pressure, measure_segments, second_order

T = np.arange(4000) / 1000


def test_ideal_chain_changes_nothing():
    truth = 60 + 50 * np.sin(2 * np.pi * T)
    assert np.array_equal(measure_pressure(truth, Pressure()).signal, truth)


@pytest.mark.parametrize(("natural", "damping"), [(12.0, 0.15), (25.0, 0.4), (8.0, 1.4)])
def test_catheter_passes_each_frequency_as_a_second_order_system_does(natural, damping):
    f = 5.0
    out = second_order(np.sin(2 * np.pi * f * T), natural, damping)[2000:]
    gain = abs(1 / (1 - (f / natural) ** 2 + 2j * damping * f / natural))
    assert np.ptp(out) / 2 == pytest.approx(gain, rel=5e-3)


def test_flush_rings_with_the_decrement_of_its_damping():
    natural, damping = 15.0, 0.2
    out = measure_pressure(np.zeros(4000), Pressure(natural_hz=natural, damping=damping, flush_s=(1.0, 2.0))).signal
    ringing = out[2000:2400]
    low, high = (argrelextrema(ringing, compare)[0] for compare in (np.less, np.greater))
    decrement = np.exp(-np.pi * damping / np.sqrt(1 - damping**2))
    assert ringing[high[0]] / -ringing[low[0]] == pytest.approx(decrement, rel=0.01)
    assert (low[1] - low[0]) / 1000 == pytest.approx(1 / (natural * np.sqrt(1 - damping**2)), abs=0.0015)


def test_units_zero_gain_drift_and_a_step_between_epochs():
    flat = np.full(4000, 100.0)
    assert measure_pressure(flat, Pressure(unit="cmH2O")).signal[0] == pytest.approx(135.951)
    assert measure_pressure(flat, Pressure(unit="kPa")).signal[0] == pytest.approx(13.3322)
    out = measure_pressure(flat, Pressure(gain=1.1, zero_mmhg=5, drift_mmhg_per_min=60, steps=((2.0, 20.0, 1.0),)))
    assert out.signal[[0, 1000, 2000]] == pytest.approx([115, 116, 137])
    assert out.faults == ("gain", "zero", "drift", "step")


def test_slower_sampling_keeps_what_lies_below_and_removes_what_would_fold():
    slow = np.sin(2 * np.pi * 20 * T)
    assert measure_pressure(slow, Pressure(sample_rate_hz=250)).signal[100:-100] == pytest.approx(
        slow[::4][100:-100], abs=1e-3
    )
    folded = measure_pressure(np.sin(2 * np.pi * 230 * T), Pressure(sample_rate_hz=250)).signal[100:-100]
    assert np.abs(folded).max() < 0.01


def test_hum_and_quantisation_have_the_size_asked_for():
    out = measure_pressure(np.zeros(4000), Pressure(hum_mmhg=2.0, hum_harmonics=(1.0, 0.0, 0.5))).signal
    spectrum = 2 * np.abs(np.fft.rfft(out)) / out.size
    assert spectrum[[200, 400, 600]] == pytest.approx([2, 0, 1], abs=1e-9)
    steps = measure_pressure(np.linspace(0, 10, 4000), Pressure(step_mmhg=0.25)).signal
    assert set(np.round(steps / 0.25, 9) % 1) == {0.0}


def test_faults_of_segments_leave_the_others_alone():
    whole = 30 + 8 * np.sin(2 * np.pi * T)
    truth = np.stack([whole * share for share in (1.0, 0.9, 0.8, 0.7, 0.6)])
    damped = measure_segments(truth, Segments(damped=(2, 0.05))).signal
    assert np.ptp(damped[2]) == pytest.approx(0.05 * np.ptp(truth[2]))
    assert np.array_equal(np.delete(damped, 2, 0), np.delete(truth, 2, 0))
    jump = measure_segments(truth, Segments(jump=(1, 2.0, 25.0))).signal - truth
    assert jump[:, 1999].tolist() == [0] * 5
    assert jump[:, 2000] == pytest.approx([0, 25, 0, 0, 0])
    assert np.array_equal(measure_segments(truth, Segments(reverse=True)).signal, truth[::-1])
    assert np.array_equal(measure_segments(truth, Segments(swapped=(1, 2))).signal, truth[[0, 2, 1, 3, 4]])
    assert measure_segments(truth, Segments(saturation_ml=33)).signal.max() == 33
    drift = (measure_segments(truth, Segments(parallel_ml_per_min=30)).signal - truth).sum(axis=0)
    assert drift[2000] == pytest.approx(1.0)
    aortic = measure_segments(truth, Segments(aortic=(0, 0.3))).signal
    assert np.corrcoef(aortic[0], truth[0])[0, 1] == pytest.approx(-1)
