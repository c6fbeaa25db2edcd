"""The average beat: the median over beats of one shape, aligned on the QRS over all leads."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from .beats import _cut, _dominant
from .ecg import ElectrocardiogramError, FloatArray, IntArray

_BEFORE_MS, _AFTER_MS = 350.0, 550.0
_QRS_MS = 160.0
_SHIFT_MS = 40.0
_PIECE_MS = 50.0
_ROUNDS = 3
MOST_BEATS = 600


@dataclass(frozen=True, eq=False)
class AverageBeat:
    """The median beat.

    Attributes
    ----------
    samples_mv : (n_leads, n) float64
        Median over the beats, mV.
    noise_mv : (n_leads,) float64
        Standard error of a sample of the median, mV.
    correlation_time
        Samples over which the noise stays alike (1 for white noise).
    centre
        Sample of the QRS centre.
    beats : (n_beats,) int64
        Centres of the beats used, as samples of the record.
    others
        Beats of another shape, or too near an end or a gap.
    """

    samples_mv: FloatArray
    noise_mv: FloatArray
    correlation_time: float
    centre: int
    beats: IntArray
    others: int


def _average_beat(
    samples_mv: FloatArray,
    rows: IntArray,
    found: IntArray,
    sample_rate_hz: float,
    lost: NDArray[np.bool_] | None = None,
) -> AverageBeat:
    """Align, sort out and take the median.

    Parameters
    ----------
    samples_mv : (n_leads, n) float64
        Leads on a level baseline, mV.
    rows
        Independent leads, on which beats are aligned and compared.
    found
        Centres of the beats.
    sample_rate_hz
        Samples per second.
    lost : (n,) bool, optional
        Samples that were filled in; beats that hold one are not used.

    Raises
    ------
    ElectrocardiogramError
        Where no beat lies whole inside the record.
    """
    per_ms = sample_rate_hz / 1000.0
    typical = float(np.median(np.diff(found))) if found.size > 1 else samples_mv.shape[1]
    before = round(min(_BEFORE_MS * per_ms, 0.6 * typical))
    after = round(min(_AFTER_MS * per_ms, 0.9 * typical))
    shift = round(_SHIFT_MS * per_ms)
    size = samples_mv.shape[1]
    inside = (found - before - shift >= 0) & (found + after + shift <= size)
    if lost is not None and lost.any():
        count = np.concatenate(([0], np.cumsum(lost)))
        begin, end = np.clip(found - before - shift, 0, size), np.clip(found + after + shift, 0, size)
        inside &= count[end] == count[begin]
    if not inside.any():
        raise ElectrocardiogramError("The ECG does not contain a complete beat.")
    beats = found[inside][:MOST_BEATS]
    half = round(_QRS_MS * per_ms)
    beats = _aligned(samples_mv[rows], beats, half, shift)
    kept = _dominant(_cut(samples_mv[rows], beats, half, half))
    beats = _aligned(samples_mv[rows], beats[kept], half, shift)
    beats = beats[(beats >= before) & (beats + after <= size)]
    if not beats.size:
        raise ElectrocardiogramError("The ECG does not contain a complete beat.")
    windows = _cut(samples_mv, beats, before, after)
    median = np.median(windows, axis=0)
    noise, correlation_time = _noise(windows, median, before, half, per_ms)
    return AverageBeat(median, noise, correlation_time, before, beats, int(found.size - beats.size))


def _aligned(samples_mv: FloatArray, beats: IntArray, half: int, shift: int) -> IntArray:
    """Move each beat to where it correlates best with the median of all."""
    size = samples_mv.shape[1]
    for _ in range(_ROUNDS):
        beats = np.clip(beats, half + shift, size - half - shift)
        template = np.median(_cut(samples_mv, beats, half, half), axis=0)
        template = template - template.mean(axis=1, keepdims=True)
        wide = _cut(samples_mv, beats, half + shift, half + shift)
        length = wide.shape[2] + template.shape[1]
        product = np.fft.rfft(wide, length, axis=2) * np.conj(np.fft.rfft(template, length, axis=1))
        match = np.fft.irfft(product.sum(axis=1), length, axis=1)[:, : 2 * shift + 1]
        moves = np.argmax(match, axis=1) - shift
        beats = beats + moves
        if not moves.any():
            break
    return beats


def _noise(windows: FloatArray, median: FloatArray, before: int, half: int, per_ms: float) -> tuple[FloatArray, float]:
    """Standard error of the median beat, and the correlation time of the noise, in the stretch before the QRS."""
    # what is slower than a piece of the baseline is taken up by the baseline fitted at each departure
    piece = max(round(_PIECE_MS * per_ms), 8)
    pieces = max((before - half // 2) // piece, 1)
    piece = min(piece, max(before - half // 2, 8))
    if len(windows) >= 4:
        rest = windows[:, :, : pieces * piece] - median[:, : pieces * piece]
        rest = signal.detrend(rest.reshape(*rest.shape[:2], pieces, piece), axis=3)
        # the median of n values has pi/2 times the variance of their mean (large n, normal noise)
        scale = np.sqrt(np.pi / 2 / (len(windows) - 1)) * np.sqrt(piece / (piece - 2))
    else:
        rest = np.diff(windows[:, :, None, : pieces * piece], n=2, axis=3) / np.sqrt(6.0)
        scale = 1.0 / np.sqrt(len(windows))
    spread = 1.4826 * np.median(np.abs(rest), axis=(0, 2, 3))
    energy = float(np.sum(rest**2)) + 1e-12
    lagged = [float(np.sum(rest[..., k:] * rest[..., :-k])) / energy for k in range(1, 9)]
    positive = np.maximum(np.minimum.accumulate(lagged), 0.0)
    time = 1.0 + 2.0 * float(positive.sum()) if len(windows) >= 4 else 1.0
    return spread * scale, time
