"""The catalogue of haemodynamic metrics: one place for key, wording, unit, direction and limits.

Pure data: no Django, no NumPy. The database constraints, the forms, the charts and the command-line
output all read it, so a metric is added or changed here and nowhere else.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum


class Direction(IntEnum):
    """Which way a metric should move for the better."""

    HIGHER_IS_BETTER = 1
    NEITHER = 0
    LOWER_IS_BETTER = -1


@dataclass(frozen=True)
class Metric:
    """One metric of a beat or an epoch.

    Attributes
    ----------
    key
        Name with its unit, as used in files, commands and the database.
    label
        Words for a screen.
    ucum
        Unit in UCUM notation; ``unit`` is the same for people.
    direction
        Better direction. ``NEITHER`` metrics are shown but never ranked.
    hard_low, hard_high
        Outside this closed range a value is refused.
    soft_low, soft_high
        Outside this closed range a value is accepted after confirmation and kept flagged.
    decimals
        Digits after the point on screens.
    may_be_negative
        Whether the value can cross zero, so that a change in percent has no meaning near zero.
    """

    key: str
    label: str
    unit: str
    ucum: str
    direction: Direction
    hard_low: float
    hard_high: float
    soft_low: float
    soft_high: float
    decimals: int = 0
    may_be_negative: bool = False


_UP, _NONE, _DOWN = Direction.HIGHER_IS_BETTER, Direction.NEITHER, Direction.LOWER_IS_BETTER

# Hard limits of dP/dt, EDP, ESP, EDV and tau: project choice; the others are
# physical limits. Soft limits: plausible span in heart failure, from memory, not limits for care.
METRICS: tuple[Metric, ...] = (
    Metric("heart_rate_per_min", "Heart rate", "/min", "/min", _NONE, 20, 300, 40, 180),
    Metric("p_max_mmhg", "Peak pressure", "mmHg", "mm[Hg]", _NONE, 40, 300, 70, 220),
    Metric("p_min_mmhg", "Minimum pressure", "mmHg", "mm[Hg]", _NONE, -30, 60, -10, 30, 1, True),
    Metric("edp_mmhg", "End-diastolic pressure", "mmHg", "mm[Hg]", _DOWN, -5, 60, 2, 40, 1, True),
    Metric("esp_mmhg", "End-systolic pressure", "mmHg", "mm[Hg]", _NONE, 40, 250, 60, 200),
    Metric("dpdt_max_mmhg_per_s", "dP/dt max", "mmHg/s", "mm[Hg]/s", _UP, 200, 4000, 400, 2500),
    Metric("dpdt_min_mmhg_per_s", "dP/dt min", "mmHg/s", "mm[Hg]/s", _NONE, -4000, -200, -2500, -400),
    Metric("tau_exponential_ms", "Tau, free asymptote", "ms", "ms", _DOWN, 15, 200, 25, 120, 1),
    Metric("tau_zero_asymptote_ms", "Tau, zero asymptote", "ms", "ms", _DOWN, 15, 200, 25, 120, 1),
    Metric("tau_logistic_ms", "Tau, logistic", "ms", "ms", _DOWN, 5, 150, 10, 80, 1),
    Metric("edv_ml", "End-diastolic volume", "mL", "mL", _NONE, 40, 600, 80, 450),
    Metric("esv_ml", "End-systolic volume", "mL", "mL", _NONE, 10, 560, 30, 380),
    Metric("sv_ml", "Stroke volume", "mL", "mL", _UP, 2, 300, 20, 180, 1),
    Metric("ef_percent", "Ejection fraction", "%", "%", _UP, 1, 95, 8, 75, 1),
    Metric("stroke_work_mmhg_ml", "Stroke work", "mmHg·mL", "mm[Hg].mL", _UP, 1, 40000, 500, 20000),
    Metric("ea_mmhg_per_ml", "Arterial elastance", "mmHg/mL", "mm[Hg]/mL", _NONE, 0.1, 20, 0.5, 6, 2),
    Metric("cycle_efficiency", "Cycle efficiency", "", "1", _UP, 0, 1, 0.3, 1, 2),
    Metric("dyssynchrony_percent", "Segmental dyssynchrony", "%", "%", _DOWN, 0, 100, 0, 60, 1),
    Metric("internal_flow_percent", "Internal flow", "%", "%", _DOWN, 0, 500, 0, 150, 1),
    Metric("dispersion_ms", "Mechanical dispersion", "ms", "ms", _DOWN, 0, 1000, 0, 300, 0),
)

BY_KEY: dict[str, Metric] = {metric.key: metric for metric in METRICS}
