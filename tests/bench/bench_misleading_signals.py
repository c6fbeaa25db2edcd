"""Faults of the measuring chain: python tests/bench/bench_misleading_signals.py [HEARTS]

Hearts and faults come from ``tests.simulators.beating_heart``, which shares no assumption with the engine. Printed for
each case: the largest error of a ranked metric (median over hearts), how many hearts carried a remark of the fault,
without and with an aortic pressure, and what is only said not to be told; last, the share of clean hearts with one.
"""

from __future__ import annotations

import sys

import numpy as np

from procedures.haemodynamics import Analysis
from tests.procedures.haemodynamics.test_misleading_signals import analysed, faults_of
from tests.simulators.beating_heart import Faults, Run, Ventricle, run, sinus

RANKED = ("dpdt_max_mmhg_per_s", "sv_ml", "stroke_work_mmhg_ml", "ef_percent", "tau_exponential_ms", "edp_mmhg")
CASES = {
    "clean": Faults(),
    "segment damped to 5 %": Faults(damped_segment=(2, 0.05)),
    "segment damped to 20 %": Faults(damped_segment=(1, 0.2)),
    "25 mL jump in a segment": Faults(jump=(1, 13.0, 25.0)),
    "10 mL jump in a segment": Faults(jump=(3, 13.0, 10.0)),
    "segments reversed": Faults(reversed_segments=True),
    "catheter 12 Hz, damping 0.1": Faults(catheter=(12.0, 0.1)),
    "catheter 12 Hz, damping 0.2": Faults(catheter=(12.0, 0.2)),
    "catheter 20 Hz, damping 0.2": Faults(catheter=(20.0, 0.2)),
    "catheter 8 Hz, damping 1": Faults(catheter=(8.0, 1.0)),
    "catheter 8 Hz, damping 2": Faults(catheter=(8.0, 2.0)),
    "zero +20 mmHg": Faults(zero_mmhg=20.0),
    "zero -20 mmHg": Faults(zero_mmhg=-20.0),
    "cmH2O for mmHg": Faults(pressure_gain=1.36),
}


def hearts(count: int) -> list[Run]:
    """Hearts of other strength, filling, resistance, timing and rate."""
    made = []
    for seed in range(count):
        rng = np.random.default_rng(seed)
        ventricle = Ventricle(
            e_max=rng.uniform(0.5, 1.6),
            e_min=rng.uniform(0.05, 0.09),
            filling_pressure=rng.uniform(10, 22),
            r_peripheral=rng.uniform(0.8, 1.5),
            compliance=rng.uniform(0.8, 1.8),
            rise_s=rng.uniform(0.15, 0.24),
            fall_s=rng.uniform(0.30, 0.42),
            lags_s=tuple(rng.uniform(0, 0.03, 5)),
        )
        made.append(run(sinus(26.0, rng.uniform(0.6, 1.1), rng), 26.0, ventricle))
    return made


def _largest(found: Analysis, clean: Analysis) -> tuple[float, str]:
    errors = []
    for seen, true in zip(found.epochs, clean.epochs, strict=True):
        for key in set(RANKED) & set(seen.metrics) & set(true.metrics):
            usual = true.metrics[key].mean
            errors.append((100 * abs(seen.metrics[key].mean - usual) / max(abs(usual), 1e-6), key))
    return max(errors, default=(float("nan"), "(every beat refused)"))


def main() -> None:
    """Print the table."""
    made = hearts(int(sys.argv[1]) if len(sys.argv) > 1 else 20)
    plain = [analysed(one) for one in made]
    print(f"{'case':30s} {'error':>7s} of {'metric':22s} remark  with aorta  said not to be told")
    for name, faults in CASES.items():
        alone = [analysed(one, faults) for one in made]
        beside = [analysed(one, faults, aorta=True) for one in made]
        worst = [_largest(*pair) for pair in zip(alone, plain, strict=True)]
        error, key = sorted(worst)[len(worst) // 2]
        told = [sum(bool(faults_of(one)) for one in some) for some in (alone, beside)]
        words = sorted({note.code for one in alone for note in one.quality if note.code.endswith("not_told")})
        count = len(made)
        print(
            f"{name:30s} {error:6.0f}% of {key:22s} {told[0]:2d}/{count:<3d}  {told[1]:2d}/{count:<3d}      "
            + ", ".join(words)
        )
    epochs = sum(len(one.epochs) for one in plain)
    remarked = sum(len(one.epochs) for one in plain if faults_of(one))
    print(f"clean epochs with a remark of a fault: {remarked} of {epochs}")


if __name__ == "__main__":
    main()
