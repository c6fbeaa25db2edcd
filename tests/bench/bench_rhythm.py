"""What rhythm does to the numbers: each rhythm of the beating-heart simulator, error before and after, and remarks.

``python tests/bench/bench_rhythm.py`` prints a table of the error of each metric against noise-free truth, in percent,
averaged over the seeds, and the share of clean epochs that carry a remark; it ends with 1 where a limit is broken.
``before`` is what version 1.1.1 of the engine gave for the same recordings.

Truth: where normal beats stand at least four beats after the last ectopic one, their mean in the same recording; in
fibrillation the same heart beating regularly at the mean cycle; in bigeminy and trigeminy, where no beat stands so far
from an ectopic one, the same heart in sinus rhythm; at a changing rate the mean of all beats.
"""

import json
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from procedures.haemodynamics import EpochWindow, PressureVolumeSignals, analyse
from tests.simulators import beating_heart as heart

SECONDS, START_S = 44.0, 4.0
KEYS = {
    "dpdt_max_mmhg_per_s": "dpdt_max",
    "sv_ml": "sv",
    "edv_ml": "edv",
    "stroke_work_mmhg_ml": "sw",
    "p_max_mmhg": "p_max",
}
# Mean error of version 1.1.1 over seeds 0 and 1 with an ECG, percent: dP/dt max, stroke volume.
BEFORE: dict[str, tuple[float, float]] = {
    "regular": (-0.3, 0.4), "slow": (-0.9, 0.1), "fast": (0.3, 1.1), "paced": (-0.8, 0.7),
    "sinus arrhythmia": (-0.1, 0.3), "isolated": (-1.7, -1.0), "interpolated": (-1.3, -2.5), "run of 5": (-1.0, 0.6),
    "quadrigeminy": (2.1, -4.9), "trigeminy": (1.9, -6.2), "bigeminy": (5.8, 85.4), "bigeminy late": (0.0, -6.3),
    "part bigeminy": (-1.0, -0.8), "fibrillation": (1.8, 2.1), "fibrillation fast": (-0.8, 2.9),
    "fibrillation slow": (2.5, -0.8), "rate rising": (-0.2, -0.3), "rate falling": (-0.5, 0.9),
}  # fmt: skip


def beats_of(name, rng):
    """The train of beats of one rhythm."""
    cycle = 0.85
    plain = heart.sinus(SECONDS, cycle, rng)
    if name == "regular":
        return plain
    if name == "slow":
        return heart.sinus(SECONDS, 1.15, rng)
    if name == "fast":
        return heart.sinus(SECONDS, 0.55, rng)
    if name == "paced":
        return heart.sinus(SECONDS, 0.7, rng, jitter_s=0.001)
    if name == "sinus arrhythmia":
        return heart.sinus(SECONDS, 0.9, rng, jitter_s=0.025)
    if name == "isolated":
        return heart.with_ectopy(plain, 9, 0.62, rng)
    if name == "bigeminy":
        return heart.with_ectopy(plain, 2, 0.62, rng)
    if name == "bigeminy late":
        return heart.with_ectopy(plain, 2, 0.8, rng)
    if name == "trigeminy":
        return heart.with_ectopy(plain, 3, 0.62, rng)
    if name == "quadrigeminy":
        return heart.with_ectopy(plain, 4, 0.62, rng)
    if name == "part bigeminy":
        half = len(plain) // 2
        return [*heart.with_ectopy(plain[:half], 2, 0.62, rng), *plain[half:]]
    if name == "interpolated":
        return heart.with_ectopy(heart.sinus(SECONDS, 1.1, rng), 8, 0.5, rng, interpolated=True)
    if name == "run of 5":
        return heart.with_run(plain, 22, 5, 0.42)
    if name == "fibrillation":
        return heart.fibrillation(SECONDS, 0.78, rng)
    if name == "fibrillation fast":
        return heart.fibrillation(SECONDS, 0.55, rng)
    if name == "fibrillation slow":
        return heart.fibrillation(SECONDS, 1.0, rng)
    if name == "rate rising":
        return heart.changing_rate(SECONDS, 0.95, 0.65, rng)
    if name == "rate falling":
        return heart.changing_rate(SECONDS, 0.6, 0.8, rng)
    raise ValueError(name)


CLEAN = ("regular", "slow", "fast", "paced", "sinus arrhythmia")
NAMES = (
    *CLEAN, "isolated", "interpolated", "run of 5", "quadrigeminy", "trigeminy", "bigeminy", "bigeminy late",
    "part bigeminy", "fibrillation", "fibrillation fast", "fibrillation slow", "rate rising", "rate falling",
)  # fmt: skip
# The rhythm each must be called by; None: any.
CALLED = {
    "isolated": "ectopic", "interpolated": "interpolated", "run of 5": "runs", "quadrigeminy": "ectopic",
    "trigeminy": "trigeminy", "bigeminy": "bigeminy", "bigeminy late": "bigeminy", "part bigeminy": "bigeminy",
    "fibrillation": "irregular", "fibrillation fast": "irregular", "fibrillation slow": "irregular",
    "rate rising": "changing", "rate falling": "changing", **dict.fromkeys(CLEAN, "regular"),
}  # fmt: skip


def far_from_ectopy(beats):
    """Normal beats at least four after the last ectopic one, and whether the next is normal too."""
    ectopic = np.array([beat.kind == "ectopic" for beat in beats])
    near = ectopic.copy()
    for step in range(1, 4):
        near[step:] |= ectopic[:-step]
    return ~near


def truth_of(name, run, ventricle, seed):
    at = np.array([beat.at_s for beat in run.beats])
    inside = (at > START_S) & (at < SECONDS - 1.5)
    if name.startswith("fibrillation"):
        cycle = float(np.diff(at[inside]).mean())
        other = heart.run(heart.sinus(30.0, cycle, np.random.default_rng(seed), jitter_s=0.0), 30.0, ventricle)
        return truth_of("regular", other, ventricle, seed)
    chosen = inside & far_from_ectopy(run.beats)
    if chosen.sum() < 3:
        other = heart.run(heart.sinus(30.0, 0.85, np.random.default_rng(seed)), 30.0, ventricle)
        return truth_of("regular", other, ventricle, seed)
    with np.errstate(invalid="ignore"):
        return {key: float(np.nanmean(run.truth[short][chosen])) for key, short in KEYS.items()}


def signals_of(run, seed, ecg=True, rate=1000.0):
    spoiled = heart.spoiled(run, heart.Faults(), np.random.default_rng(seed + 1000), rate)
    return PressureVolumeSignals(
        rate, spoiled.pressure_mmhg, segments_ml=spoiled.segments_ml, ecg_mv=spoiled.ecg_mv if ecg else None
    )


def hearts(seed):
    """Another ventricle for every seed."""
    rng = np.random.default_rng(900 + seed)
    return heart.Ventricle(
        e_max=float(rng.uniform(0.7, 1.2)),
        filling_pressure=float(rng.uniform(13, 20)),
        r_peripheral=float(rng.uniform(0.95, 1.3)),
        potentiation=float(rng.uniform(0.12, 0.25)),
    )


def one(name, seed, ecg):
    """Errors in percent by metric (NaN: not told), the rhythm said and the codes of its remarks."""
    rng = np.random.default_rng(seed)
    ventricle = hearts(seed)
    key = (name, seed)
    if key not in KEPT:
        run = heart.run(beats_of(name, rng), SECONDS, ventricle)
        KEPT[key] = run, truth_of(name, run, ventricle, seed)
    run, truth = KEPT[key]
    result = analyse(signals_of(run, seed, ecg), [EpochWindow("site", START_S, SECONDS - 0.5)])
    summary = result.epochs[0]
    errors = {
        key: 100 * (summary.metrics[key].mean / truth[key] - 1) if key in summary.metrics else np.nan for key in KEYS
    }
    codes = {note.code for note in result.quality if note.epoch == "site" and note.severity != "info"}
    return errors, getattr(getattr(summary, "rhythm", None), "kind", "-"), codes, summary


KEPT: dict = {}


def main(seeds=3):
    broken = []
    print(
        f"{'rhythm':<20}{'ECG':<5}{'dP/dt max':>10}{'(before)':>10}{'SV':>8}{'(before)':>10}{'EDV':>8}{'SW':>8}"
        f"{'beats':>7}  called, remarks"
    )
    remarked = total = 0
    for name in NAMES:
        for ecg in (True, False):
            found = [one(name, seed, ecg) for seed in range(seeds)]
            mean = {key: float(np.mean([item[0][key] for item in found])) for key in KEYS}
            called = sorted({item[1] for item in found})
            codes = sorted(set().union(*(item[2] for item in found)))
            used = sum(item[3].beats_used for item in found) / seeds
            before = BEFORE.get(name, (np.nan, np.nan))
            print(
                f"{name:<20}{'yes' if ecg else 'no':<5}{mean['dpdt_max_mmhg_per_s']:>10.1f}{before[0]:>10.1f}"
                f"{mean['sv_ml']:>8.1f}{before[1]:>10.1f}{mean['edv_ml']:>8.1f}{mean['stroke_work_mmhg_ml']:>8.1f}"
                f"{used:>7.0f}  {', '.join(called)}: {', '.join(codes)}",
                flush=True,
            )
            if called != [CALLED[name]]:
                broken.append(f"{name} was called {called}")
            if name in CLEAN:
                total += seeds
                remarked += sum(bool(item[2]) for item in found)
    print(f"clean epochs with a remark: {remarked} of {total}")
    print(json.dumps(broken))
    return 1 if broken or remarked > 0.05 * total else 0


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 3))
