"""Reading and the whole line, as ratios measured in one run.

For 10, 30 and 120 minutes of pressure, 7 segments and 12 leads at 1 kHz (EDF+): time from file to all metrics
against reading the file and running one zero-phase filter over every channel (processor time, so that a busy
machine does not blur the ratios); peak memory against the decoded
array; and a part of a long file against the whole. Each measurement runs in a process of its own.
Minutes can be given: ``python tests/bench/bench_reading.py 10 30``.
"""

import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from procedures.recordings import Channel, Signals, open_recording, read_recording, write_edf
from tests.memory import peak_above

RATE = 1000.0
CHANNELS = 20


def build(path: Path, minutes: int) -> None:
    """A beating ventricle with breathing and noise, in closed form."""
    rng = np.random.default_rng(1)
    beats = minutes * 75
    # intervals of 0.8 s on average, give or take
    edges = np.concatenate(([0.0], np.cumsum(rng.normal(0.8, 0.015, beats + 5))))
    time_s = np.arange(round(minutes * 60 * RATE)) / RATE
    t = time_s - edges[np.searchsorted(edges, time_s, side="right") - 1]
    breath = np.sin(2 * np.pi * time_s / 4)

    def pulse(at: np.ndarray, rise: float, fall: float) -> np.ndarray:
        up = 0.5 - 0.5 * np.cos(np.pi * np.clip(at / rise, 0, 1))
        return up * (0.5 + 0.5 * np.cos(np.pi * np.clip((at - rise) / fall, 0, 1)))

    pressure = 8 + 100 * pulse(t - 0.1, 0.15, 0.25) * (1 + 0.03 * breath)
    channels = [Channel("P_LV", "mmHg", RATE, pressure + rng.normal(0, 0.3, t.size))]
    for i in range(7):
        volume = 28 - (8 + breath) * pulse(t - 0.16 - 0.01 * i, 0.2, 0.35)
        channels.append(Channel(f"V_{i + 1}", "mL", RATE, volume + rng.normal(0, 0.1, t.size)))
    qrs = np.exp(-(((t - 0.05) / 0.012) ** 2))
    for i, lead in enumerate(("I", "II", "III", "aVR", "aVL", "aVF", "V1", "V2", "V3", "V4", "V5", "V6")):
        channels.append(Channel(f"ECG_{lead}", "mV", RATE, qrs * (0.4 + 0.1 * i) + rng.normal(0, 0.02, t.size)))
    write_edf(path, Signals(tuple(channels), (), "EDF+", minutes * 60.0))


def measure(what: str, path: str) -> dict[str, float]:
    """One measurement, best of three for the short ones; peak memory over that before it, bytes."""
    import scipy.signal as ss

    from procedures.haemodynamics import analyse  # noqa: F401 - loads the engine before the clock starts
    from procedures.pipeline import analyse_file

    def read_and_filter() -> None:
        sos = ss.butter(4, 40 / (RATE / 2), output="sos")
        for channel in read_recording(path).channels:
            ss.sosfiltfilt(sos, channel.samples)

    def floor() -> None:
        np.fromfile(path, "<i2").astype(np.float64)

    work = {
        "floor": floor,
        "read": lambda: read_recording(path),
        "part": lambda: open_recording(path).read(100.0, 110.0),
        "filter": read_and_filter,
        "line": lambda: analyse_file(path),
    }[what]
    grown = peak_above(work)
    best = np.inf
    for _ in range(3):
        started = time.process_time()
        work()
        best = min(best, time.process_time() - started)
        if best > 10:
            break
    return {"seconds": best, "bytes": grown}


def main() -> None:
    """Print one line of ratios for each length."""
    lengths = [int(text) for text in sys.argv[1:]] or [10, 30, 120]
    per_minute = {}
    with tempfile.TemporaryDirectory() as folder:
        for minutes in lengths:
            path = Path(folder) / f"{minutes}.edf"
            build(path, minutes)
            got = {
                what: json.loads(
                    subprocess.run(
                        [sys.executable, __file__, "--measure", what, str(path)],
                        check=True,
                        capture_output=True,
                        text=True,
                    ).stdout
                )
                for what in ("floor", "read", "part", "filter", "line")
            }
            decoded = minutes * 60 * RATE * CHANNELS * 8
            seconds = {what: value["seconds"] for what, value in got.items()}
            per_minute[minutes] = seconds["line"] / minutes
            print(
                f"{minutes:4d} min, {path.stat().st_size / 1e6:.0f} MB: "
                f"read {seconds['read']:.2f} s ({seconds['read'] / seconds['floor']:.1f} x plain numbers), "
                f"10 s of it {1000 * seconds['part']:.1f} ms, read + filter {seconds['filter']:.2f} s, "
                f"file to metrics {seconds['line']:.2f} s = {seconds['line'] / seconds['filter']:.2f} x (limit 3); "
                f"memory {got['line']['bytes'] / decoded:.2f} x decoded (limit 4)"
            )
            path.unlink()
    first = per_minute[lengths[0]]
    shares = ", ".join(f"{m} min {s / first:.2f}" for m, s in per_minute.items())
    print(f"time for each minute of signal, against the shortest: {shares}")


if __name__ == "__main__":
    if sys.argv[1:2] == ["--measure"]:
        print(json.dumps(measure(*sys.argv[2:])))
    else:
        main()
