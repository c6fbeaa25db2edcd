"""Global onset and offset of the QRS over all leads, with their uncertainty.

Two steps at each end. The spatial velocity (root of the summed squared slopes of the independent leads) of the average
beat places the end roughly: outwards from the core of the QRS to where it falls below a threshold made of its own
noise, a small share of its peak, and the slope of the segment beside the QRS. The leads themselves then place it
finely, by the probability of each instant as their first departure from the baseline (`changepoint`), so that the
result does not move with the threshold, and its spread tells how far the noise leaves it open.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import signal

from .changepoint import _departure_probability
from .delineation_settings import DelineationSettings
from .ecg import ElectrocardiogramError, FloatArray
from .qrs_end import PossibleEnd, _possible_ends


@dataclass(frozen=True)
class Boundary:
    """One end of the QRS: time and its standard deviation, ms; and the velocity threshold of the rough step, mV/s."""

    time_ms: float
    sd_ms: float
    threshold_mv_per_s: float
    rough_ms: float


@dataclass(frozen=True)
class Delineation:
    """Onset and offset in ms from the start of the average beat; noise and peak of the spatial velocity, mV/s.

    ``doubtful_end``: what was taken for the end of the QRS may be a T wave, or the reverse.
    """

    onset: Boundary
    offset: Boundary
    velocity_noise_mv_per_s: float
    velocity_peak_mv_per_s: float
    doubtful_end: bool = False

    @property
    def duration_ms(self) -> float:
        """QRS duration."""
        return self.offset.time_ms - self.onset.time_ms

    @property
    def duration_sd_ms(self) -> float:
        """Standard deviation of the duration, the two ends being independent."""
        return float(np.hypot(self.onset.sd_ms, self.offset.sd_ms))


@dataclass(frozen=True, eq=False)
class _Beat:
    leads_mv: FloatArray
    noise_mv: FloatArray
    correlation_time: float
    velocity: FloatArray
    velocity_noise: float
    top: float
    per_ms: float


def delineate(
    leads_mv: FloatArray,
    noise_mv: FloatArray,
    correlation_time: float,
    centre: int,
    sample_rate_hz: float,
    settings: DelineationSettings | None = None,
) -> Delineation:
    """Onset and offset of the QRS of an average beat.

    Parameters
    ----------
    leads_mv : (n_leads, n) float64
        Independent leads of the average beat, mV.
    noise_mv : (n_leads,) float64
        Standard error of their samples, mV.
    correlation_time
        Samples over which the noise stays alike.
    centre
        Sample inside the QRS, near its centre.
    sample_rate_hz
        Samples per second.
    settings
        Choices of the method; the defaults when None.

    Returns
    -------
    Delineation
        Onset and offset with their standard deviations, ms from the first sample.

    Notes
    -----
    The leads hold no NaN: lost samples were filled before the beats were averaged. The spatial velocity and its
    thresholds are our own definition.

    Raises
    ------
    ElectrocardiogramError
        Where the QRS does not stand out from the noise.
    """
    choice = settings or DelineationSettings()
    per_ms = sample_rate_hz / 1000.0
    slopes, velocity, noise, near = np.empty((0, 0)), np.empty(0), 0.0, slice(0)
    for length_ms in choice.slope_windows_ms:
        slopes, velocity, noise = _spatial_velocity(leads_mv, noise_mv, correlation_time, length_ms, sample_rate_hz)
        near = slice(max(centre - round(140 * per_ms), 0), centre + round(140 * per_ms))
        top = float(velocity[near].max())
        if choice.noise_ratio * noise <= choice.noise_share * top:
            break
    if not top > choice.stand_out * noise:
        raise ElectrocardiogramError("The QRS cannot be distinguished from noise.")
    peak = near.start + int(np.argmax(velocity[near]))
    runs = _core_runs(velocity, max(choice.core_share * top, choice.noise_ratio * noise), peak, per_ms, choice)
    first = runs[0][0]
    ends = _possible_ends(slopes, velocity, noise, first, peak, per_ms, choice)
    beat = _Beat(leads_mv, noise_mv, correlation_time, velocity, noise, top, per_ms)
    onset = _boundary(beat, first, -1, choice)
    offset = _offset(beat, ends, choice)
    doubtful = sum(one.probability >= choice.not_unlikely for one in ends) > 1
    return Delineation(onset, offset, noise, top, doubtful)


def _spatial_velocity(
    leads_mv: FloatArray, noise_mv: FloatArray, correlation_time: float, length_ms: float, sample_rate_hz: float
) -> tuple[FloatArray, FloatArray, float]:
    """Slopes (quadratic fit over ``length_ms``), the root of their summed squares, and its part that is noise, mV/s."""
    window = max(2 * round(length_ms * sample_rate_hz / 2000) + 1, 5)
    slopes = signal.savgol_filter(leads_mv, window, 2, deriv=1, axis=1) * sample_rate_hz
    gain = float(np.sqrt(np.sum(signal.savgol_coeffs(window, 2, deriv=1) ** 2))) * sample_rate_hz
    noise = gain * float(np.sqrt(np.sum(noise_mv**2) * correlation_time))
    return slopes, np.sqrt(np.sum(slopes**2, axis=0)), noise


def _core_runs(
    velocity: FloatArray, least: float, peak: int, per_ms: float, choice: DelineationSettings
) -> list[tuple[int, int]]:
    """Stretches above a velocity, first and last sample, joined to the one of the peak by gaps that are short."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], (velocity > least).view(np.int8), [0]))))
    starts, stops = edges[::2], edges[1::2] - 1
    joined = np.concatenate(([0], np.cumsum(starts[1:] - stops[:-1] > choice.gap_ms * per_ms)))
    own = joined == joined[np.searchsorted(starts, peak, side="right") - 1]
    return [(int(a), int(b)) for a, b in zip(starts[own], stops[own], strict=True)]


def _offset(beat: _Beat, ends: list[PossibleEnd], choice: DelineationSettings) -> Boundary:
    """The likeliest end, its standard deviation wide enough for every other that is not unlikely."""
    likely = max(ends, key=lambda one: one.probability)
    offset = _boundary(beat, _edge(beat, likely, choice), 1, choice)
    sd = offset.sd_ms
    for one in ends:
        if one is not likely and one.probability >= choice.not_unlikely:
            other = _boundary(beat, _edge(beat, one, choice), 1, choice)
            # Two standard deviations hold the other end too.
            sd = max(sd, 0.5 * abs(other.time_ms - offset.time_ms))
    return replace(offset, sd_ms=sd)


def _edge(beat: _Beat, end: PossibleEnd, choice: DelineationSettings) -> int:
    """Last sample of a deflection that belongs to the QRS without doubt, if it is the last one."""
    one = end.deflection
    high = beat.velocity[one.peak : one.end + 1] > min(choice.core_share * beat.top, 0.7 * beat.velocity[one.peak])
    return one.peak + (int(np.argmin(high)) - 1 if not high.all() else high.size - 1)


def _boundary(beat: _Beat, edge: int, direction: int, choice: DelineationSettings) -> Boundary:
    """One end, from the edge of the core outwards (``direction`` −1: onset, 1: offset)."""
    per_ms, velocity = beat.per_ms, beat.velocity
    outwards = velocity[edge::direction][: round(choice.longest_ms * per_ms)]
    floor = float(np.quantile(outwards, 0.15))
    share = choice.threshold_share * beat.top
    threshold = float(max(share, choice.noise_ratio * beat.velocity_noise, floor + share))
    quiet = choice.quiet_before_ms if direction < 0 else choice.quiet_after_ms
    steps, margin = _crossing(outwards, threshold, floor, per_ms, quiet)
    rough = edge + direction * steps
    # the fine step sees baseline first, then the QRS up to a steep part, whichever end it is
    inwards = velocity[rough::-direction] > choice.inside_share * beat.top
    depth = max(int(np.argmax(inwards)) if inwards.any() else 0, round(choice.inside_ms * per_ms))
    # the ST segment bends into the T wave; the segment before the QRS does not
    degree = 1 if direction < 0 else 2
    length = _baseline_samples(beat, rough, direction, margin, degree, choice)
    samples = rough + direction * np.arange(length, -depth - 1, -1)
    samples = samples[(samples >= 0) & (samples < velocity.size)]
    time_ms = np.arange(samples.size) / per_ms
    rough_ms = float(np.argmin(np.abs(samples - rough))) / per_ms
    candidates = np.arange(max(rough_ms - 25.0, 8.0), min(rough_ms + 12.0, time_ms[-1] - 4.0), 0.5)
    if candidates.size < 4:
        raise ElectrocardiogramError("The QRS is too near the end of the average beat to be measured.")
    leads = beat.leads_mv[:, samples]
    leads = leads - leads[:, :1]
    error = np.hypot(choice.model_error_mv, choice.model_error_share * np.ptp(leads, axis=1))
    probability = _departure_probability(
        time_ms,
        leads,
        np.hypot(beat.noise_mv, error),
        candidates,
        baseline_degree=degree,
        correlation_time=beat.correlation_time,
        spread_ms=choice.departure_spread_ms,
        at_once=choice.at_once,
        prior_ms=rough_ms - margin,
        prior_sd_ms=choice.prior_sd_ms,
    )
    mean = float(probability @ candidates)
    variance = float(probability @ (candidates - mean) ** 2)
    return Boundary(
        time_ms=float(samples[0]) / per_ms - direction * mean,
        sd_ms=float(np.hypot(np.sqrt(variance), choice.shape_sd_ms)),
        threshold_mv_per_s=threshold,
        rough_ms=rough / per_ms,
    )


def _baseline_samples(
    beat: _Beat, rough: int, direction: int, margin: float, degree: int, choice: DelineationSettings
) -> int:
    """Longest stretch beside the QRS that the polynomial describes to within the noise: a P wave may end late."""
    inner = round((margin + 2.0) * beat.per_ms)
    shortest = round(choice.shortest_baseline_ms * beat.per_ms)
    for length in np.linspace(choice.baseline_ms, choice.shortest_baseline_ms, 5) * beat.per_ms:
        samples = rough + direction * np.arange(inner, round(length) + 1)
        samples = samples[(samples >= 0) & (samples < beat.velocity.size)]
        if samples.size < degree + 4:
            break
        x = np.linspace(-1.0, 1.0, samples.size)
        q, _ = np.linalg.qr(np.vander(x, degree + 1))
        leads = beat.leads_mv[:, samples]
        residual = leads - (leads @ q) @ q.T
        allowed = beat.noise_mv**2 + choice.model_error_mv**2
        if np.mean(np.sum(residual**2, axis=1) / allowed) <= choice.misfit * samples.size:
            return round(length)
    return shortest


def _crossing(
    outwards: FloatArray, threshold: float, floor: float, per_ms: float, quiet_ms: float
) -> tuple[int, float]:
    """Samples from the core to the crossing of the threshold, and how many ms short of the end that is.

    The crossing lies inside the QRS and the tangent of the velocity, followed down to its floor, mostly outside;
    the end is expected half way.
    """
    hold = max(round(quiet_ms * per_ms), 2)
    below = (outwards < threshold).astype(np.int64)
    run = np.convolve(below, np.ones(hold, dtype=np.int64))[hold - 1 :]
    quiet = np.flatnonzero(run == hold)
    steps = int(quiet[0]) if quiet.size else int(np.argmin(outwards))
    before = np.arange(max(steps - round(8 * per_ms), 0), steps + 1)
    if before.size < 4:
        return steps, 0.0
    slope = float(np.polyfit(before / per_ms, outwards[before], 1)[0])
    height = float(outwards[steps]) - min(floor, float(outwards[steps]))
    return steps, 0.5 * float(np.clip(height / max(-slope, 1e-9), 0.0, 12.0))
