import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from procedures.recordings import decimate


def test_spike_of_one_sample_is_kept():
    samples = np.zeros(100_000)
    samples[54_321] = 9.0
    samples[12_345] = -7.0
    times, lows, highs = decimate(samples, 1000.0, 0.0, 100.0, 500)
    assert len(times) == 500
    assert highs.max() == 9.0
    assert lows.min() == -7.0
    assert times[highs.argmax()] <= 54.321 < times[highs.argmax()] + 0.2


def test_every_sample_is_given_where_there_is_room():
    samples = np.arange(100.0)
    times, lows, highs = decimate(samples, 100.0, 0.25, 0.5, 50)
    np.testing.assert_allclose(times, np.arange(25, 50) / 100)
    np.testing.assert_array_equal(lows, samples[25:50])
    np.testing.assert_array_equal(highs, lows)


def test_part_outside_the_signal_is_empty():
    times, lows, highs = decimate(np.arange(10.0), 10.0, 5.0, 6.0, 10)
    assert times.size == lows.size == highs.size == 0


def test_pause_stays_empty():
    samples = np.concatenate((np.ones(1000), np.full(1000, np.nan), np.ones(1000)))
    _, lows, _ = decimate(samples, 100.0, 0, 30, 30)
    assert np.isnan(lows[10:20]).all()
    assert np.isfinite(lows[:10]).all()


@given(
    size=st.integers(1, 3000),
    points=st.integers(1, 400),
    start=st.floats(-1, 4),
    length=st.floats(0, 5),
)
def test_extremes_of_the_part_are_those_of_the_drawing(size, points, start, length):
    samples = np.random.default_rng(size).normal(size=size)
    times, lows, highs = decimate(samples, 1000.0, start, start + length, points)
    part = samples[max(0, round(start * 1000)) : max(0, round((start + length) * 1000))]
    assert len(times) == len(lows) == len(highs) <= points
    assert (len(times) == 0) == (len(part) == 0)
    if len(part):
        assert (lows.min(), highs.max()) == (part.min(), part.max())
        assert np.all(np.diff(times) > 0)


@pytest.mark.parametrize(("rate", "points"), [(0.0, 10), (-1.0, 10), (float("nan"), 10), (100.0, 0)])
def test_impossible_request_is_refused(rate, points):
    with pytest.raises(ValueError, match="positive"):
        decimate(np.ones(10), rate, 0, 1, points)
