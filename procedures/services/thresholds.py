"""Writing threshold tests."""

from __future__ import annotations

import datetime as dt
import itertools
import math
from collections.abc import Mapping, Sequence
from typing import Any
from uuid import UUID

from django.utils import timezone

from procedures.models import Site, ThresholdTest
from procedures.services.guard import put_in, site_in, writing
from registry.errors import RuleBroken
from registry.models import User

MOST_STEPS = 60
# The amplitudes an analyser can deliver, as for a measured threshold (common practice, no source).
LOWEST_V, HIGHEST_V = 0.05, 12.0


def put_threshold_test(
    *,
    by: User,
    site: Site,
    pulse_width_ms: float,
    steps: Sequence[Mapping[str, Any]],
    tested_at: dt.datetime | None = None,
    key: UUID | None = None,
    version: int | None = None,
    reason: str = "",
) -> ThresholdTest:
    """Write a step-down run; its threshold follows from the steps.

    Raises
    ------
    RuleBroken
        When the amplitudes do not fall, or a step follows the loss of capture.
    """
    with writing(site.session, by=by, summary=f"Threshold test at {site.label}", reason=reason) as locked:
        stored = ThresholdTest.objects.filter(pk=key).first() if key else None
        site = site_in(locked, site, reached=stored is None)
        run = [{"amplitude_v": float(step["amplitude_v"]), "captured": bool(step["captured"])} for step in steps]
        _check(run)
        captured = [step["amplitude_v"] for step in run if step["captured"]]
        lost = [step["amplitude_v"] for step in run if not step["captured"]]
        values = {
            "tested_at": tested_at or (stored.tested_at if stored else timezone.now()),
            "pulse_width_ms": pulse_width_ms,
            "steps": run,
            "lost_at_v": lost[0] if lost else None,
            "capture_threshold_v": captured[-1] if captured and lost else None,
        }
        return put_in(locked, ThresholdTest, values, by=by, site=site, key=key, version=version, reason=reason)


def _check(run: list[dict[str, Any]]) -> None:
    def refuse(message: str) -> RuleBroken:
        return RuleBroken("The steps of the test need correcting.", fields={"steps": [message]})

    if not 1 <= len(run) <= MOST_STEPS:
        raise refuse(f"A test must have 1 to {MOST_STEPS} steps.")
    amplitudes = [step["amplitude_v"] for step in run]
    if not all(math.isfinite(one) and LOWEST_V <= one <= HIGHEST_V for one in amplitudes):
        raise refuse(f"Enter amplitudes from {LOWEST_V:g} to {HIGHEST_V:g} V.")
    if any(later >= earlier for earlier, later in itertools.pairwise(amplitudes)):
        raise refuse("Each step must be at a lower amplitude than the one before.")
    if not all(step["captured"] for step in run[:-1]):
        raise refuse("The test ends with loss of capture. Start a new test.")
