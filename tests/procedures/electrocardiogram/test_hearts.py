"""QRS limits of hearts simulated from the spread of activation over the wall, which the engine has never seen.

``tests/bench/bench_hearts.py`` prints the errors of as many hearts as are wanted.
"""

from __future__ import annotations

import numpy as np
import pytest

from procedures.electrocardiogram import Measurement, electrocardiogram, measure
from tests.simulators.double_layer_ecg import LEADS, Heart, Noise, Traces, random_wide, record

# The truth leaves out what lies below 5 microvolts; an average of ten beats shows some of it, at either end.
BEYOND_TRUTH_MS = 8.0


def hearts(count: int) -> list[Heart]:
    rng = np.random.default_rng(20)
    return [random_wide(rng) for _ in range(count)]


def offset_error_ms(traces: Traces, measured: Measurement) -> float:
    start = (measured.beat.beats - measured.beat.centre) / measured.sample_rate_hz * 1000
    near = np.argmin(np.abs(traces.beats_ms - (start + measured.onset_ms)[:, None]), axis=1)
    return measured.offset_ms - float(np.median(traces.beats_ms[near] - start)) - traces.end_ms


@pytest.mark.parametrize("heart", hearts(8), ids=[str(n) for n in range(8)])
def test_end_of_a_wide_qrs_is_within_its_stated_uncertainty(heart: Heart) -> None:
    traces = record(heart, seed=3)
    measured = measure(electrocardiogram(dict(zip(LEADS, traces.leads, strict=True)), traces.sample_rate_hz))
    assert abs(offset_error_ms(traces, measured)) < 2 * max(measured.qrs_duration_sd_ms, BEYOND_TRUTH_MS)


def test_stimulus_alone_is_not_measured_as_a_qrs() -> None:
    """Twelve leads with nothing but a stimulus and what it leaves behind."""
    rate, rng = 1000.0, np.random.default_rng(2)
    t = np.arange(10_000) / rate
    leads = {}
    for name in LEADS:
        since = (t - 0.4) % 0.8
        leads[name] = 1.5 * np.exp(-since / 0.004) + rng.normal(0, Noise().muscle_mv, t.size)
    with pytest.raises(Exception, match=r"too short for a QRS|does not stand out"):
        measure(electrocardiogram(leads, rate))
