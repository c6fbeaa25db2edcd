"""Back at the chosen site: is it the same place, with the same response and the same electrical values?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import stdtrit

from procedures.acute_response.comparison import _scale_of_prior
from procedures.acute_response.model import fit_effects
from procedures.acute_response.prepared import _prepare
from procedures.acute_response.settings import Settings
from procedures.acute_response.values import Epoch, ResponseError

# Differences below these are taken as measurement scatter (common practice, no source): one step of a threshold test,
# two caliper readings of QRS, beat-to-beat variation of sensing and impedance.
TOLERANCES: dict[str, tuple[float, str, str]] = {
    "capture_threshold_v": (0.5, "V", "capture threshold"),
    "qrs_duration_ms": (10.0, "ms", "QRS duration"),
    "sensed_r_wave_mv": (3.0, "mV", "sensed R wave"),
    "impedance_ohm": (150.0, "Ohm", "impedance"),
    "phrenic_threshold_v": (1.0, "V", "phrenic-stimulation threshold"),
}


@dataclass(frozen=True)
class ReturnCheck:
    """Second visit against first; ``agrees`` is None when it could not be compared."""

    what: str
    difference: float | None
    low: float | None
    high: float | None
    agrees: bool | None
    sentence: str


def check_response(
    epochs: Sequence[Epoch],
    *,
    state: str,
    since_s: float,
    baseline: str,
    metric: str,
    settings: Settings = Settings(),  # noqa: B008 - frozen, so that sharing it is safe
) -> ReturnCheck:
    """Compare the response at ``state`` from ``since_s`` on with that of its earlier visits, drift allowed for.

    The two lots are fitted as if they were two sites; their difference has a Student t interval. It agrees
    when the interval holds zero; how small a difference could have been seen is said beside it.

    Parameters
    ----------
    epochs
        Epochs of the session, in any order.
    state
        The site returned to.
    since_s
        Start of the return, s on the session's clock; with NaN there is no visit after it.
    baseline
        The state that counts as baseline.
    metric
        Name of the metric, passed through.
    settings
        Choices of the model.

    Returns
    -------
    ReturnCheck
        Difference in percentage points with its 95 % interval.

    Raises
    ------
    ResponseError
        There is no visit before or after ``since_s``, or the epochs cannot be compared at all.

    Notes
    -----
    The model is that of :func:`compare`; comparing the two lots as two sites is our own definition.
    """
    again = f"{state}\N{NULL}return"
    parted = [replace(e, state=again) if e.state == state and e.start_s >= since_s else e for e in epochs]
    names = {e.state for e in parted}
    if state not in names or again not in names:
        raise ResponseError(f"{state} needs one visit before and one after the return for this comparison.")
    data = _prepare(parted, baseline, settings)
    scatter, weight, drift_sd, _ = _scale_of_prior(data, settings)
    fit = fit_effects(
        data.y, data.within, data.times, data.state, len(data.sites),
        scatter=scatter, prior_weight=weight, drift_sd=drift_sd, shared=data.shared,
    )  # fmt: skip
    contrast = np.zeros(fit.mean.size)
    contrast[1 + data.sites.index(again)], contrast[1 + data.sites.index(state)] = 1.0, -1.0
    middle = float(contrast @ fit.mean)
    spread = float(np.sqrt(contrast @ fit.covariance @ contrast) * np.sqrt(max(fit.freedom - 2, 1) / fit.freedom))
    half = float(stdtrit(fit.freedom, 0.975)) * spread
    difference, low, high = (float(data.to_percent(np.array(v))) for v in (middle, middle - half, middle + half))
    agrees = low <= 0.0 <= high
    span = f"{difference:+.1f} % ({low:+.1f} to {high:+.1f})".replace("-", "−")
    sentence = (
        f"The response at {state} differs from the first visit by no more than measurement noise: {span}."
        if agrees
        else f"Warning: the response at {state} differs from the first visit by {span}, more than measurement noise "
        "is expected to cause."
    )
    return ReturnCheck(metric, difference, low, high, agrees, sentence)


def check_measurement(key: str, first: float | None, second: float | None) -> ReturnCheck:
    """Compare one electrical value of the two visits with its tolerance.

    Parameters
    ----------
    key
        Key of ``TOLERANCES``, which also gives the unit.
    first, second
        Values of the first and the second visit; None where not measured. NaN agrees with nothing.

    Returns
    -------
    ReturnCheck
        ``agrees`` is None where a value is missing.

    Notes
    -----
    The tolerances are common practice, no source.
    """
    tolerance, unit, words = TOLERANCES[key]
    if first is None or second is None:
        return ReturnCheck(key, None, None, None, None, f"The {words} was not measured at both visits.")
    difference = second - first
    agrees = abs(difference) <= tolerance + 1e-9
    change = f"{words} {second:g} {unit} after {first:g} {unit}"
    sentence = (
        f"Within {tolerance:g} {unit} of the first visit: {change}."
        if agrees
        else f"Warning: {change}, a difference of more than {tolerance:g} {unit}."
    )
    return ReturnCheck(key, difference, None, None, agrees, sentence)
