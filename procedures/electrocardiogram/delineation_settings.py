"""Every choice of the delineation, with its unit in its name."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class DelineationSettings:
    """Choices of :func:`procedures.electrocardiogram.delineate`.

    Attributes
    ----------
    slope_windows_ms, noise_share
        Lengths of the quadratic fit that gives the slope: the first at which ``noise_ratio`` times the noise is at most
        this share of the peak velocity.
    stand_out
        How many times the noise the peak velocity must be.
    core_share
        Share of the peak velocity that belongs to the QRS without doubt.
    t_upstroke_ms, t_share
        A stretch behind the peak that lasts longer than this from one quiet moment to the next, and stays below this
        share of the peak velocity, is the upstroke of a T wave (own choice; waves inside a QRS are mostly briefer or
        steeper). Within 0.7 to 1.4 times the share the end is called doubtful.
    t_slowest
        The slower a stretch, the briefer it may be and still be a T wave's: down to this part of ``t_upstroke_ms``.
    limb_ms, limb_share, limbs_opposed
        Two stretches in a row, each at least this long and below this share, whose mean slopes over the leads point
        against one another (cosine below the negative), are the limbs of a T wave: recovery follows one direction in
        space and back, while the waves of a QRS turn. Own choice, set on simulated shapes.
    gap_ms
        Longest quiet stretch inside a QRS.
    threshold_share, noise_ratio
        The threshold is at least this share of the peak velocity, and this many times the noise of the velocity.
    quiet_before_ms, quiet_after_ms
        How long the velocity must stay below the threshold; shorter after the QRS, where a T wave may follow at once.
    longest_ms
        How far from the core an end is looked for.
    baseline_ms
        Length of the segment beside the QRS that the fine step sees.
    shortest_baseline_ms, misfit
        That segment is shortened where a polynomial leaves more than ``misfit`` times the variance of the noise.
    inside_share, inside_ms
        The fine step sees the QRS up to where the velocity reaches this share of its peak, at least this long.
    prior_sd_ms
        Spread of the rough step's error (3 to 6 ms on simulated shapes).
    departure_spread_ms, at_once
        How much later than the first lead the others depart on average, and how many depart with it.
    model_error_mv, model_error_share
        What the local polynomials may miss: fixed, and as a share of the signal's range.
    shape_sd_ms
        Uncertainty of either end from the unknown shape of the departure (found on simulated shapes).
    """

    slope_windows_ms: tuple[float, ...] = (9.0, 13.0, 19.0, 27.0)
    noise_share: float = 0.3
    stand_out: float = 5.0
    core_share: float = 0.25
    t_upstroke_ms: float = 70.0
    t_share: float = 0.42
    t_slowest: float = 0.85
    limb_ms: float = 65.0
    limb_share: float = 0.85
    limbs_opposed: float = 0.9
    gap_ms: float = 50.0
    threshold_share: float = 0.05
    noise_ratio: float = 3.0
    quiet_before_ms: float = 10.0
    quiet_after_ms: float = 6.0
    longest_ms: float = 120.0
    baseline_ms: float = 30.0
    shortest_baseline_ms: float = 16.0
    misfit: float = 1.5
    inside_share: float = 0.3
    inside_ms: float = 10.0
    prior_sd_ms: float = 6.0
    departure_spread_ms: float = 5.0
    at_once: float = 0.7
    model_error_mv: float = 0.002
    model_error_share: float = 0.005
    shape_sd_ms: float = 1.5
