"""Twelve leads of a paced heart from three dipoles that move: the ends of the QRS are known before any filter.

A sum of dipoles, each a vector with a time course of compact support (raised cosines), projected by lead vectors; so
the QRS begins and ends exactly where the first course begins and the last one ends, with no threshold. (Dower's lead
vectors, J Electrocardiol 1980;13:21, in shape only and from memory: a lead here need not be anatomically exact.)
``double_layer_ecg`` has a wall of cells instead, and a truth by threshold.

The stimulus is a rectangular pulse that ends in an after-potential of the other sign, decaying with its own time
constant, as the charge of the electrode's interface does. The T wave begins a given time before or after the QRS end.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import butter, lfilter

LEADS = ("I", "II", "III", "aVR", "aVL", "aVF", "V1", "V2", "V3", "V4", "V5", "V6")
# x to the left, y to the feet, z to the back; the four augmented and derived limb leads follow from I and II.
LEAD_VECTORS = {
    "I": (0.63, -0.23, 0.06),
    "II": (0.24, 1.07, -0.13),
    "V1": (-0.52, 0.16, -0.92),
    "V2": (0.04, 0.16, -1.39),
    "V3": (0.88, 0.10, -1.28),
    "V4": (1.21, 0.13, -0.60),
    "V5": (1.12, 0.13, -0.09),
    "V6": (0.83, 0.08, 0.23),
}


@dataclass(frozen=True)
class Settings:
    """One record. Times in ms, sizes in mV, frequencies in Hz, rate per min.

    ``stimulus_before_ms``: from the pulse to the QRS onset, 0 for a spike on the onset, None for no stimulus.
    ``overlap_ms``: how long before the QRS end the T wave begins (negative: after). ``notch``: size of the notch in
    the QRS as a share of it. ``gain``: 0.25 makes low voltage.
    """

    qrs_ms: float = 160.0
    rate: float = 80.0
    beats: int = 10
    stimulus_before_ms: float | None = 20.0
    stimulus_mv: float = 3.0
    stimulus_width_ms: float = 0.5
    after_potential_mv: float = 0.0
    after_potential_ms: float = 8.0
    t_mv: float = 0.45
    t_ms: float = 200.0
    overlap_ms: float = -50.0
    notch: float = 0.0
    gain: float = 1.0
    low_pass_hz: float | None = None
    noise_mv: float = 0.0
    sample_rate_hz: float = 1000.0
    seed: int = 0


@dataclass(frozen=True)
class Record:
    """Leads (12, samples) in mV; onset and end of each QRS and each stimulus in ms, before any filter."""

    leads_mv: np.ndarray
    sample_rate_hz: float
    onsets_ms: np.ndarray
    ends_ms: np.ndarray
    stimuli_ms: np.ndarray
    settings: Settings

    @property
    def qrs_ms(self) -> float:
        """The true QRS duration."""
        return float(self.ends_ms[0] - self.onsets_ms[0])


def _hump(t: np.ndarray, start: float, length: float) -> np.ndarray:
    """A raised cosine of height 1 from ``start`` for ``length``; 0 elsewhere."""
    x = (t - start) / length
    return np.where((x > 0) & (x < 1), 0.5 * (1 - np.cos(2 * np.pi * x)), 0.0)


def project(dipole: np.ndarray) -> np.ndarray:
    """Twelve leads from a dipole (3, samples): the four derived ones by Einthoven's and Goldberger's sums."""
    lead = {name: np.array(vector) @ dipole for name, vector in LEAD_VECTORS.items()}
    one, two = lead["I"], lead["II"]
    lead |= {"III": two - one, "aVR": -(one + two) / 2, "aVL": one - two / 2, "aVF": two - one / 2}
    return np.stack([lead[name] for name in LEADS])


def sources(t_ms: np.ndarray, onset_ms: float, settings: Settings) -> tuple[np.ndarray, np.ndarray]:
    """Dipoles (3, samples) of depolarisation and of repolarisation for one beat that begins at ``onset_ms``."""
    s, q = settings, settings.qrs_ms
    early = np.outer((0.3, 0.2, -0.5), _hump(t_ms, onset_ms, 0.45 * q))
    main = np.outer((1.1, -0.7, 0.9), _hump(t_ms, onset_ms + 0.12 * q, 0.72 * q))
    late = np.outer((0.5, -0.4, 0.6), _hump(t_ms, onset_ms + 0.5 * q, 0.5 * q))
    notch = -s.notch * np.outer((1.0, -0.6, 0.8), _hump(t_ms, onset_ms + 0.42 * q, 0.16 * q))
    repolarising = -s.t_mv * np.outer((0.8, -0.5, 0.7), _hump(t_ms, onset_ms + q - s.overlap_ms, s.t_ms))
    return early + main + late + notch, repolarising


def stimulus(t_ms: np.ndarray, at_ms: float, settings: Settings) -> np.ndarray:
    """The pulse and its after-potential, as seen in a lead that lies along it."""
    s = settings
    since = t_ms - at_ms
    pulse = np.where((since >= 0) & (since < s.stimulus_width_ms), s.stimulus_mv, 0.0)
    tail = np.exp(-np.maximum(since - s.stimulus_width_ms, 0) / s.after_potential_ms)
    return pulse - np.where(since >= s.stimulus_width_ms, s.after_potential_mv * tail, 0.0)


def record(settings: Settings) -> Record:
    """Make one record. Filters act on the whole of it, stimulus included, as a recorder's do (causal Butterworth)."""
    s = settings
    cycle = 60_000.0 / s.rate
    # Made at 8 kHz, so that a pulse of half a millisecond has its true charge; averaged down to the rate asked for.
    every = 8000.0 / s.sample_rate_hz
    if every != int(every) or every < 1:
        raise ValueError("the rate must divide 8000 Hz")
    if s.qrs_ms - s.overlap_ms + s.t_ms + (s.stimulus_before_ms or 0) > cycle:
        raise ValueError("the beats run into one another at this rate")
    t = np.arange(int(s.beats * cycle * 8) // int(every) * int(every)) / 8
    onsets = 0.25 * cycle + cycle * np.arange(s.beats)
    dipole = np.zeros((3, t.size))
    stimuli = onsets - s.stimulus_before_ms if s.stimulus_before_ms is not None else np.array([])
    for onset in onsets:
        here = slice(max(int((onset - 60) * 8), 0), int((onset + cycle) * 8))
        dipole[:, here] += s.gain * sum(sources(t[here], onset, s))
    for at in stimuli:
        here = slice(max(int((at - 5) * 8), 0), int((at + cycle) * 8))
        dipole[:, here] += np.outer((0.3, 0.9, -0.3), stimulus(t[here], at, s))
    leads = project(dipole).reshape(12, -1, int(every)).mean(axis=2)
    if s.low_pass_hz:
        b, a = butter(2, s.low_pass_hz, fs=s.sample_rate_hz)
        leads = lfilter(b, a, leads, axis=-1)
    if s.noise_mv:
        rng = np.random.default_rng(s.seed)
        independent = {name: s.noise_mv * rng.standard_normal(leads.shape[1]) for name in LEAD_VECTORS}
        one, two = independent["I"], independent["II"]
        independent |= {"III": two - one, "aVR": -(one + two) / 2, "aVL": one - two / 2, "aVF": two - one / 2}
        leads = leads + np.stack([independent[name] for name in LEADS])
    return Record(leads, s.sample_rate_hz, onsets, onsets + s.qrs_ms, stimuli, s)
