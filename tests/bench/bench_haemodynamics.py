"""The pressure-volume engine alone, as ratios measured in one run.

For 10, 30 and 120 minutes of pressure, 7 segments and 12 leads at 1 kHz: processor time of :func:`analyse` against one
zero-phase filter over every channel, growth with length, peak memory above the signals against the signals; and,
for 10 minutes, against a general-purpose physiology library that delineates one of the leads. Each length runs in a
process of its own. Minutes can be given: ``python tests/bench/bench_haemodynamics.py 10 30``.
"""

import json
import subprocess
import sys
import time
import warnings
from collections.abc import Callable

import numpy as np
from scipy import signal

from procedures.haemodynamics import PressureVolumeSignals, analyse
from procedures.haemodynamics.beats.r_waves import _find_r_waves
from tests.memory import peak_above
from tests.procedures.haemodynamics.generator import make, plan

RATE = 1000.0


def build(minutes: int) -> PressureVolumeSignals:
    """A minute of a made-up recording repeated, with noise on every channel that does not repeat."""
    rng = np.random.default_rng(3)
    made = make([plan(rng, 60.0, rate_per_min=72, exchange_ml=6)], 60.0)[0]
    n = minutes * 60_000

    def channel(minute: np.ndarray, noise: float) -> np.ndarray:
        long = np.tile(minute, minutes)
        long += noise * rng.standard_normal(n)
        return long

    segments, leads = np.empty((7, n)), np.empty((12, n))
    for row in range(7):
        segments[row] = channel(made.segments[row % 5], 0.5)
    for row in range(12):
        leads[row] = channel(made.ecg[row % 3], 0.02)
    return PressureVolumeSignals(RATE, channel(made.pressure, 0.5), segments_ml=segments, ecg_mv=leads)


def timed(work: Callable[[], object], times: int) -> float:
    """Smallest processor time of several runs, s."""
    taken = []
    for _ in range(times):
        started = time.process_time()
        work()
        taken.append(time.process_time() - started)
    return min(taken)


def delineate(lead: np.ndarray) -> None:
    """One lead through the comparator: clean, find R peaks, delineate by wavelets."""
    import neurokit2

    cleaned = neurokit2.ecg_clean(lead, sampling_rate=1000)
    _, peaks = neurokit2.ecg_peaks(cleaned, sampling_rate=1000)
    neurokit2.ecg_delineate(cleaned, peaks["ECG_R_Peaks"], sampling_rate=1000, method="dwt")


def measure(minutes: int) -> dict[str, float]:
    """Times and memory for one length."""
    signals = build(minutes)
    assert signals.segments_ml is not None
    assert signals.ecg_mv is not None
    rows = [signals.pressure_mmhg, *signals.segments_ml, *signals.ecg_mv]
    sos = signal.butter(4, 40, fs=RATE, output="sos")
    result = analyse(signals)
    peak = peak_above(lambda: analyse(signals))
    size = sum(row.nbytes for row in rows)
    repeats = 3 if minutes <= 10 else 1
    figures = {
        "beats": len(result.beats),
        "used": result.epochs[0].beats_used,
        "analyse_s": timed(lambda: analyse(signals), repeats),
        "filter_s": timed(lambda: [signal.sosfiltfilt(sos, row) for row in rows], 3),
        "memory_ratio": (size + peak) / size,
    }
    if minutes == 10:
        lead = signals.ecg_mv[:1]
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            delineate(signals.ecg_mv[0][:20_000])  # loads the library before the clock starts
            figures["r_waves_s"] = timed(lambda: _find_r_waves(lead, RATE), 3)
            figures["delineate_s"] = timed(lambda: delineate(signals.ecg_mv[0]), 1)
    return figures


def main() -> None:
    """Measure each length in a process of its own and print the ratios."""
    lengths = [int(word) for word in sys.argv[1:]] or [10, 30, 120]
    first = 0.0
    for minutes in lengths:
        command = [sys.executable, __file__, "--one", str(minutes)]
        found = json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
        per_minute = found["analyse_s"] / minutes
        first = first or per_minute
        print(
            f"{minutes:4d} min: {found['beats']:.0f} beats, analyse {found['analyse_s']:.2f} s = "
            f"{found['analyse_s'] / found['filter_s']:.2f} x filtering every channel; "
            f"time per minute {per_minute / first:.2f} x the shortest; memory {found['memory_ratio']:.2f} x the signals"
        )
        if "delineate_s" in found:
            whole, part = (found["delineate_s"] / found[key] for key in ("analyse_s", "r_waves_s"))
            print(
                f"          one lead delineated by the comparator: {found['delineate_s']:.1f} s, {whole:.1f} x all of "
                f"analyse, {part:.0f} x finding the R waves of one lead"
            )


if __name__ == "__main__":
    if sys.argv[1:2] == ["--one"]:
        print(json.dumps(measure(int(sys.argv[2]))))
    else:
        main()
