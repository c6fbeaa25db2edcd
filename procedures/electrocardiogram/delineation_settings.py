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
    search_ms
        How far behind the first sample of the core a last deflection of the QRS is looked for.
    dip_share
        Two rises of the velocity are two deflections where it dips between them by this share of its peak.
    qrs_length_ms, t_length_ms, qrs_length_spread, t_length_spread
        Median and log SD of a deflection's path over its steepest slope: within a QRS, and in a limb of a T wave. Own
        choice: a half wave of 50 ms has 16 ms, the limb of a T wave of 200 ms has 64 ms.
    qrs_share, t_share, qrs_share_spread, t_share_spread
        Median and log SD of its steepest slope over that of the whole QRS (own choice; a T wave of half the height and
        four times the length of the QRS has 0.12).
    limbs_log_odds, limbs_turning, limbs_range
        What it tells that the mean slopes of two deflections in a row point against one another over the leads: log
        odds at most, none at this negative cosine, all of it so much beyond or short of it (own choice).
    foot_share
        A deflection is counted as over, for the duration, where the velocity has fallen to this share of its peak.
    t_after_ms, t_after_spread
        Median and log SD of the time from the onset of the QRS to the steepest moment of a T wave's limb (own choice:
        an action potential of the ventricle lasts 200 ms and more).
    usual_duration_ms, below_ms, above_ms
        Between these durations every end is as likely; beyond them by a normal curve with these SD (own choice).
    not_unlikely
        Ends at least this probable are all held by the stated uncertainty.
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
    search_ms: float = 300.0
    dip_share: float = 0.04
    qrs_length_ms: float = 25.0
    t_length_ms: float = 75.0
    qrs_length_spread: float = 0.6
    t_length_spread: float = 0.35
    t_after_ms: float = 230.0
    t_after_spread: float = 0.25
    qrs_share: float = 0.5
    t_share: float = 0.2
    qrs_share_spread: float = 0.6
    t_share_spread: float = 0.6
    limbs_log_odds: float = 0.9
    limbs_turning: float = 0.75
    limbs_range: float = 0.15
    foot_share: float = 0.5
    usual_duration_ms: tuple[float, float] = (60.0, 210.0)
    below_ms: float = 12.0
    above_ms: float = 20.0
    not_unlikely: float = 0.07
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
