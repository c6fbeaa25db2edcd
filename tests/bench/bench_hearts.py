"""Error of the QRS limits over simulated hearts: python tests/bench/bench_hearts.py [HEARTS]

Hearts and signals come from ``tests.simulators.double_layer_ecg``, which shares no assumption with the engine. Printed:
the error of the end, how many ends lie more than 15 ms from the typical error, how many of these carry no remark and
lie outside two stated standard deviations, and the share of all records with a remark about the end.
"""

from __future__ import annotations

import sys

import numpy as np

from procedures.electrocardiogram import electrocardiogram, measure
from tests.procedures.electrocardiogram.test_hearts import offset_error_ms
from tests.simulators.double_layer_ecg import LEADS, random_wide, record


def main() -> None:
    """Print the figures."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 120
    rng = np.random.default_rng(5)
    error, sd, doubt = np.empty(count), np.empty(count), np.empty(count, bool)
    for i in range(count):
        heart, rate = random_wide(rng), float(rng.choice([500, 1000]))
        traces = record(heart, sample_rate_hz=rate, seed=i, beats=8)
        measured = measure(electrocardiogram(dict(zip(LEADS, traces.leads, strict=True)), rate))
        error[i], sd[i] = offset_error_ms(traces, measured), measured.qrs_duration_sd_ms
        doubt[i] = measured.delineation.doubtful_end
    off = error - np.median(error)
    far = np.abs(off) > 15
    sure = far & ~doubt & (np.abs(off) > 2 * sd + 5)
    print(f"{count} hearts: error of the end {np.median(error):+.1f} ms (median), SD {error.std():.1f} ms")
    print(f"more than 15 ms off: {far.sum()}; of these sure of themselves: {sure.sum()}")
    print(f"with a remark about the end: {doubt.mean():.1%}")


if __name__ == "__main__":
    main()
