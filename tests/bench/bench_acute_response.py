"""The figures of the acute-response engine, printed.

Run with ``python -m tests.bench.bench_acute_response [part ...] [--size N]``. Parts: ``accuracy`` (1,000 simulated
sessions for each drift and design), ``fewer`` (teams that follow the advice against fixed protocols), ``delays``
(test-retest of the best delay), ``speed`` (one session, a file of sessions, a general-purpose mixed-model fit).
"""

from __future__ import annotations

import argparse
import io
import json
import os
import tempfile
import time
import warnings
from collections.abc import Callable
from dataclasses import fields
from pathlib import Path

import numpy as np

from procedures.acute_response import BeatEpoch, compare, delay_optimum
from tests.procedures.acute_response.simulated import BASELINE, DRIFTS, session
from tests.procedures.acute_response.study import Figures, calibration, study
from tests.procedures.acute_response.team import Course, Patient, by_model, by_pairs, fixed, follow_advice

_NUMBERS = [f.name for f in fields(Figures) if f.name not in {"claimed", "came_true"}]


def _line(kind: str, f: Figures) -> None:
    print(
        f"{kind:10s} {f.coverage:6.1f} {f.rmse:6.3f} {f.paired_rmse:6.3f} {f.ratio:5.3f} "
        f"{f.shrunken_rmse / f.paired_rmse:8.3f} | {f.leader_bias:+13.2f} {f.raw_leader_bias:+5.2f} | "
        f"{f.brier:.3f} {f.paired_brier:6.3f} | {f.hits:9.1f} {f.paired_hits:9.1f}"
    )


def accuracy(sessions: int) -> None:
    """Coverage, error, winner's curse, calibration."""
    claimed, came_true = [], []
    head = "drift       cover  RMSE paired ratio shrunken | bias of leader: raw | Brier paired | best named by pairs"
    for every in (1, 3):
        print(f"\nA baseline after every {every} site(s), {sessions} sessions each, 4 to 6 sites, 3 visits\n{head}")
        figures = [study(sessions, kind, every, seed=2024) for kind in DRIFTS]
        for kind, f in zip(DRIFTS, figures, strict=True):
            _line(kind, f)
            claimed.append(f.claimed)
            came_true.append(f.came_true)
        squares = ("rmse", "paired_rmse", "shrunken_rmse")
        means = {
            n: np.sqrt(np.mean([getattr(f, n) ** 2 for f in figures]))
            if n in squares
            else np.mean([getattr(f, n) for f in figures])
            for n in _NUMBERS
        }
        _line("all", Figures(**means, claimed=np.array([]), came_true=np.array([])))
    print("\nProbability best: claimed, came true, sites")
    for a, b, n in calibration(np.concatenate(claimed), np.concatenate(came_true)):
        print(f"{a:.3f} {b:.3f} {n:6d}")


def _curve(courses: list[Course]) -> np.ndarray:
    right = np.stack([c.right for c in courses])
    known = right >= 0
    return np.where(known.all(0), right.mean(0), np.nan)


def _reached(curve: np.ndarray, chance: float = 0.95) -> int | None:
    """Fewest epochs from which the chance stays at or above the limit (judged on a running mean of three points)."""
    points = np.flatnonzero(np.isfinite(curve))
    smooth = np.convolve(curve[points], np.ones(3) / 3.0, "valid")
    below = np.flatnonzero(smooth < chance)
    if below.size and below[-1] + 1 >= smooth.size:
        return None
    return int(points[1:-1][below[-1] + 1 if below.size else 0])


def fewer(patients: int, longest: int = 80) -> None:
    """Chance of naming a site within one point of the best, against epochs."""
    for kind in ("walking", "linear"):
        team = [follow_advice(Patient(s, kind), 60) for s in range(patients)]
        budget = [follow_advice(Patient(s, kind), 40, stop=False) for s in range(patients)]
        share = sum(c.baselines for c in team) / sum(c.epochs for c in team)
        protocol = [fixed(Patient(s, kind), longest, 0.5, by_pairs, 3) for s in range(patients)]
        modelled = [fixed(Patient(s, kind), longest, 0.5, by_model, 3) for s in range(patients)]
        robin = [fixed(Patient(s, kind), longest, share, by_model, 3) for s in range(patients)]
        print(f"\n{kind} drift, {patients} patients, 4 to 6 sites; share of baselines under advice {share:.2f}")
        used = np.array([c.epochs for c in team])
        right = np.mean([c.right[-1] for c in team])
        print(
            f"Advice until decided: {used.mean():.1f} epochs on average (median {np.median(used):.0f}, "
            f"90 % within {np.percentile(used, 90):.0f}), chance {100 * right:.1f} %, "
            f"undecided after 60: {100 * np.mean([c.decided_at is None for c in team]):.1f} %"
        )
        curves = {
            "advice, fixed budget": _curve(budget),
            "round robin, same share, model": _curve(robin),
            "published protocol, paired": _curve(protocol),
            "published protocol, model": _curve(modelled),
        }
        for name, curve in curves.items():
            shown = " ".join(f"{i}:{100 * curve[i]:.0f}" for i in np.flatnonzero(np.isfinite(curve)) if i % 6 == 4)
            reached = _reached(curve)
            saved = "" if reached is None else f", advice until decided saves {100 * (1 - used.mean() / reached):.0f} %"
            print(f"{name:31s} 95 % from {reached or f'over {curve.size - 1}'} epochs{saved}\n    {shown}")


def delays(pairs: int) -> None:
    """Test-retest SD of difference of the best AV delay; curvature set so that single absolute readings give 41 ms."""
    rng = np.random.default_rng(7)
    tested, reference = np.arange(40.0, 241.0, 40.0), 120.0

    def reading(x: np.ndarray, optimum: float, curvature: float) -> np.ndarray:
        change = 8.0 - curvature * (x - optimum) ** 2
        breath = 3.2 * np.sin(2 * np.pi * (rng.uniform(size=x.size)[:, None] + 0.25 * 0.85 * np.arange(10)))
        return change + breath.mean(1) + rng.normal(0, 1.7, x.size) + rng.normal(0, 1.2 / np.sqrt(10), x.size)

    def absolute(optimum: float, curvature: float) -> float:
        c, b, _ = np.polyfit(tested, reading(tested, optimum, curvature), 2)
        return float(np.clip(-b / (2 * c), tested[0], tested[-1])) if c < 0 else float("nan")

    def relative(optimum: float, curvature: float, replicates: int) -> tuple[float, bool, float]:
        """Optimum (NaN when refused), whether its interval holds the truth, and the vertex without any refusal."""
        x = np.repeat(tested, replicates)
        before, after = (reading(np.full(x.size, reference), optimum, curvature) for _ in range(2))
        result = delay_optimum(x, reading(x, optimum, curvature) - 0.5 * (before + after))
        _, b, c = result.coefficients
        vertex = float(np.clip(-b / (2 * c), tested[0], tested[-1])) if c < 0 else float("nan")
        if result.optimum_ms is None or result.low_ms is None or result.high_ms is None:
            return float("nan"), False, vertex
        return result.optimum_ms, result.low_ms <= optimum <= result.high_ms, vertex

    def retest(once: np.ndarray) -> float:
        return float(np.nanstd(once[:, 0] - once[:, 1], ddof=1))

    optima = np.clip(rng.normal(150.0, 25.0, pairs), 100.0, 220.0)
    grid = np.array([0.0003, 0.0005, 0.0007, 0.0009, 0.0012, 0.0016])
    sdd = [retest(np.array([[absolute(o, c), absolute(o, c)] for o in optima])) for c in grid]
    curvature = float(np.interp(-41.0, -np.array(sdd), grid))
    print(f"\nCurvature {curvature:.5f} %/ms2 gives the published 41 ms to single absolute readings; SDD by curvature:")
    print("   " + "  ".join(f"{c:.4f}: {s:.0f} ms" for c, s in zip(grid, sdd, strict=True)))
    for replicates in (4, 6, 8):
        twice = [[relative(o, curvature, replicates) for _ in range(2)] for o in optima]
        optimum, inside, vertex = (np.array([[r[i] for r in pair] for pair in twice]) for i in range(3))
        given = np.isfinite(optimum)
        print(
            f"{replicates} alternations for each of {tested.size} delays: SDD {retest(optimum):.1f} ms with "
            f"{100 * (1 - given.mean()):.0f} % refused, {retest(vertex):.1f} ms with none refused (published 23 ms); "
            f"intervals cover {100 * inside[given].mean():.1f} %"
        )


def _best(run: Callable[[], object], times: int) -> float:
    """Least processor time (this machine may be shared), seconds."""
    found = []
    for _ in range(times):
        start = time.process_time()
        run()
        found.append(time.process_time() - start)
    return min(found)


def speed(sessions: int) -> None:
    """Milliseconds for one session, seconds for a file, and the ratio to a mixed-model fit."""
    rng = np.random.default_rng(3)
    order = [BASELINE if i % 3 == 0 else f"S{i % 11}" for i in range(40)]
    metrics = []
    for _ in range(20):
        epochs = []
        for i, state in enumerate(order):
            t = 60.0 * i + 0.85 * np.arange(50)
            log = rng.normal(0, 0.017) + 0.032 * np.sin(2 * np.pi * 0.24 * t) + rng.normal(0, 0.012, 50)
            epochs.append(BeatEpoch(str(i), state, t[0], t[-1], t, 900.0 * np.exp(log)))
        metrics.append(epochs)
    states = len(set(order))
    once = _best(lambda: [compare(e, baseline=BASELINE, metric="x") for e in metrics], 7)
    print(f"\n{states} states, 40 epochs, 20 metrics, 2,000 beats: {1000 * once:.0f} ms (best of 7)")

    from statsmodels.regression.mixed_linear_model import MixedLM

    names = sorted(set(order) - {BASELINE})
    y = 100.0 * np.log(np.concatenate([e.values for e in metrics[0]]))
    epoch = np.repeat(np.arange(40), 50)
    exog = np.stack([np.ones(2000), *((np.array(order) == s)[epoch] for s in names)], axis=1).astype(float)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = _best(lambda: MixedLM(y, exog, groups=epoch).fit(reml=True), 3)
    one = _best(lambda: compare(metrics[0], baseline=BASELINE, metric="x"), 20)
    print(f"One metric: {1000 * one:.1f} ms; MixedLM, no drift: {1000 * theirs:.0f} ms, {theirs / one:.0f} x as long")

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "sessions.csv"
        with path.open("w") as file:
            file.write("session,time_s,epoch,state,value\n")
            rows = 0
            for s in range(sessions):
                for e in session(rng, DRIFTS[s % 5], sites_per_baseline=1 + 2 * (s % 2), beats=20).epochs:
                    rows += e.values.size
                    file.writelines(
                        f"{s},{t:.3f},{e.key},{e.state},{v:.2f}\n" for t, v in zip(e.times_s, e.values, strict=True)
                    )
        os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
        import django
        from django.core.management import call_command

        django.setup()
        out = io.StringIO()
        start = time.process_time()
        call_command("acute_response", str(path), "--json", stdout=out)
        spent = time.process_time() - start
        print(f"{len(json.loads(out.getvalue())['sessions'])} sessions, {rows} beats in one file: {spent:.1f} s")


def main() -> None:
    """Run the parts named on the command line, or all."""
    parts = {"accuracy": (accuracy, 1000), "fewer": (fewer, 150), "delays": (delays, 400), "speed": (speed, 1000)}
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("parts", nargs="*", choices=[*parts, []], default=[])
    parser.add_argument("--size", type=int, help="sessions, patients or pairs instead of the usual number")
    options = parser.parse_args()
    for name in options.parts or parts:
        run, usual = parts[name]
        run(options.size or usual)


if __name__ == "__main__":
    main()
