"""How often the acute response's 95 % intervals hold the truth in sessions disturbed in thirteen ways.

    python tests/bench/bench_disturbed_sessions.py [SESSIONS]

The sessions are made by ``tests.simulators.drifting_session``, which shares no assumption with the engine. A row for
each disturbance and number of visits: coverage, mean width and error in points, how often a comparison is called
decided, and how often the site it names is the best or within a point of it.
"""

from __future__ import annotations

import sys

import numpy as np

from procedures.acute_response import BeatEpoch, compare
from tests.simulators.drifting_session import DRIFTS, Disturbance, session

CASES = {
    **{drift: Disturbance(drift) for drift in DRIFTS},
    "heavy tails": Disturbance("walk", tails=3.0),
    "one epoch 15 % out": Disturbance("walk", outlier=15.0),
    "a site scatters 3x": Disturbance("walk", wild_site=True),
    "scatter 0.8 %": Disturbance("walk", epoch_scatter=0.8),
    "scatter 3.4 %": Disturbance("walk", epoch_scatter=3.4),
    "scatter 6.8 %": Disturbance("walk", epoch_scatter=6.8),
    "beats alike 0.8": Disturbance("walk", carry=0.8),
    "settling": Disturbance("walk", settling=8.0),
}


def row(disturbance: Disturbance, visits: int, sessions: int) -> str:
    """Coverage and errors over ``sessions`` sessions of six sites with a baseline after each epoch."""
    rng = np.random.default_rng(7)
    inside, widths, errors, right = [], [], [], []
    for _ in range(sessions):
        made = session(rng, disturbance, visits=visits)
        epochs = [
            BeatEpoch(f"e{i}", e.label, float(e.time_s[0]), float(e.time_s[-1]), e.time_s, e.values)
            for i, e in enumerate(made.epochs)
        ]
        result = compare(epochs, baseline="baseline", metric="x")
        for site in result.sites:
            truth = made.truth[site.state]
            inside.append(site.low_percent <= truth <= site.high_percent)
            widths.append(site.high_percent - site.low_percent)
            errors.append(site.change_percent - truth)
        if result.decided:
            right.append(made.truth[result.sites[0].state] >= max(made.truth.values()) - 1.0)
    said = f"{100 * len(right) / sessions:4.0f} %, right {100 * np.mean(right):4.0f} %" if right else "   none"
    rmse = np.sqrt(np.mean(np.square(errors)))
    return f"coverage {100 * np.mean(inside):5.1f} %  width {np.mean(widths):5.2f}  error {rmse:5.2f}  decided {said}"


def main() -> None:
    """Print the table."""
    sessions = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    for visits in (1, 2, 3):
        print(f"{visits} visit(s) of each of 6 sites, {sessions} sessions a row")
        for name, disturbance in CASES.items():
            print(f"  {name:20s} {row(disturbance, visits, sessions)}", flush=True)


if __name__ == "__main__":
    main()
