"""The best atrioventricular or interventricular delay from a sweep by alternation with a reference delay.

A parabola through the changes against the reference, its vertex as the optimum (His/BiV haemodynamic study, PMC6290113,
fig. 1; the vertex is school algebra), and Fieller's interval for the vertex (Fieller, J R Stat Soc B 1954;16:175
[from memory]): exact under normal errors, and unbounded when the curvature is not settled. Then, when the parabola
is not concave, or when the vertex lies outside what was tested, no optimum is given.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri, stdtrit

from procedures.acute_response.values import FloatArray, ResponseError

MOST_ROWS = 10_000


@dataclass(frozen=True)
class DelayOptimum:
    """Optimum in ms with its 95 % limits; None where it is refused, with the reason in ``flags``.

    ``coefficients`` are those of ``a + b x + c x^2`` (x in ms, change in percent), for drawing.
    """

    optimum_ms: float | None
    low_ms: float | None
    high_ms: float | None
    peak_change_percent: float | None
    concave: bool
    inside_range: bool
    flags: tuple[str, ...]
    coefficients: tuple[float, float, float]


def delay_optimum(
    delay_ms: FloatArray, change_percent: FloatArray, standard_error: FloatArray | None = None
) -> DelayOptimum:
    """Fit the sweep.

    Parameters
    ----------
    delay_ms, change_percent
        One row for each alternation, or for each delay's mean; shape ``(rows,)``.
    standard_error
        Of each change, percentage points, when known; then the interval rests on it (widened when the points
        scatter more than it allows), else on the scatter about the parabola.

    Returns
    -------
    DelayOptimum
        Flags: ``not_concave``, ``outside_range``, ``undecided`` (each a refusal), ``no_interval`` (three rows
        without standard errors), ``exact_fit`` (no scatter at all, so the interval is empty),
        ``interval_beyond_range``.

    Raises
    ------
    ResponseError
        Fewer than three different delays, values that are not numbers, or a standard error that is not above zero.

    Notes
    -----
    Weighted least squares of a parabola in the delay; the interval of its vertex is Fieller's (1954,
    from memory). NaN is refused.
    """
    x, y, weight = _checked(delay_ms, change_percent, standard_error)
    centre, width = 0.5 * float(x.min() + x.max()), 0.5 * float(np.ptp(x))
    u = (x - centre) / width
    design = np.stack([np.ones_like(u), u, u * u], axis=1)
    core = np.asarray(np.linalg.inv(design.T @ (weight[:, None] * design)), float)
    a, b, c = core @ (design.T @ (weight * y))
    residual = y - design @ np.array([a, b, c])
    freedom = x.size - 3
    squares = float((weight * residual**2).sum())
    size = float((weight * y**2).sum()) or 1.0
    flags: list[str] = []
    if standard_error is not None:
        q, s2 = float(ndtri(0.975)), max(1.0, squares / freedom) if freedom else 1.0
    elif freedom:
        q, s2 = float(stdtrit(freedom, 0.975)), squares / freedom
        if squares < 1e-18 * size:
            flags.append("exact_fit")
    else:
        q, s2 = 0.0, 0.0
        flags.append("no_interval")
    concave = bool(c < -1e-12 * (abs(a) + abs(b) + abs(c)))
    vertex = -b / (2.0 * c) if concave else np.nan
    inside = bool(concave and abs(vertex) <= 1.0)
    limits = _fieller(float(b), float(c), np.asarray(s2 * core), q) if concave else None
    refused = True
    if not concave:
        flags.append("not_concave")
    elif not inside:
        flags.append("outside_range")
    elif limits is None or limits[1] - limits[0] > 2.0:
        flags.append("undecided")
    else:
        refused = False
    low = high = None
    if not refused and limits is not None and "no_interval" not in flags:
        low, high = (centre + width * limit for limit in limits)
        if limits[0] < -1.0 or limits[1] > 1.0:
            flags.append("interval_beyond_range")
    scaled = (
        float(a - b * centre / width + c * (centre / width) ** 2),
        float(b / width - 2.0 * c * centre / width**2),
        float(c / width**2),
    )
    return DelayOptimum(
        optimum_ms=None if refused else float(centre + width * vertex),
        low_ms=low,
        high_ms=high,
        peak_change_percent=None if refused else float(a - b * b / (4.0 * c)),
        concave=concave,
        inside_range=inside,
        flags=tuple(flags),
        coefficients=scaled,
    )


def _fieller(b: float, c: float, covariance: FloatArray, q: float) -> tuple[float, float] | None:
    """Set of vertices v with ``|b + 2 c v|`` within ``q`` of its standard error; None when it is unbounded."""
    square = 4.0 * (c * c - q * q * covariance[2, 2])
    linear = 4.0 * (b * c - q * q * covariance[1, 2])
    constant = b * b - q * q * covariance[1, 1]
    if square <= 0:
        return None
    root = np.sqrt(max(linear * linear - 4.0 * square * constant, 0.0))
    return float((-linear - root) / (2.0 * square)), float((-linear + root) / (2.0 * square))


def _checked(
    delay_ms: FloatArray, change_percent: FloatArray, standard_error: FloatArray | None
) -> tuple[FloatArray, FloatArray, FloatArray]:
    x, y = np.asarray(delay_ms, float), np.asarray(change_percent, float)
    if x.ndim != 1 or x.shape != y.shape:
        raise ResponseError("The sweep needs one change for each delay.")
    if x.size > MOST_ROWS:
        raise ResponseError(f"The sweep has {x.size} rows; at most {MOST_ROWS} are read.")
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        raise ResponseError("The sweep holds a delay or a change that is not a number.")
    if np.unique(x).size < 3:
        raise ResponseError(f"A parabola needs at least three different delays; the sweep has {np.unique(x).size}.")
    if standard_error is None:
        return x, y, np.ones_like(x)
    error = np.asarray(standard_error, float)
    if error.shape != x.shape or not (np.isfinite(error).all() and (error > 0).all()):
        raise ResponseError("Every standard error must be a number above zero.")
    return x, y, 1.0 / error**2
