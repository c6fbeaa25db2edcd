"""Twelve leads with a known QRS: five families of shapes, each zero outside an exact support.

The families share nothing with the package under test: a moving dipole seen through a lead matrix, sines with corners
at both ends, quadratic and cubic B-splines (ends that leave zero as t² and t³), and sums of bells with a smooth edge.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline

Array = NDArray[np.float64]
LEADS = ("I", "II", "III", "aVR", "aVL", "aVF", "V1", "V2", "V3", "V4", "V5", "V6")
# Orthogonal leads to I, II, V1 … V6: Dower et al., J Electrocardiol 1980;13:361, from memory.
DOWER = np.array(
    [
        [0.632, -0.235, 0.059],
        [0.235, 1.066, -0.132],
        [-0.515, 0.157, -0.917],
        [0.044, 0.164, -1.387],
        [0.882, 0.098, -1.277],
        [1.213, 0.127, -0.601],
        [1.125, 0.127, -0.086],
        [0.831, 0.076, 0.230],
    ]
)


@dataclass(frozen=True, eq=False)
class Record:
    """Leads in mV by name, and the true onsets of all beats in ms from the start."""

    leads: dict[str, Array]
    rate_hz: float
    onsets_ms: Array
    width_ms: float


def bump(share: Array) -> Array:
    """Raised cosine between 0 and 1."""
    return np.where((share > 0) & (share < 1), 0.5 - 0.5 * np.cos(2 * np.pi * share), 0.0)


def step(share: Array) -> Array:
    share = np.clip(share, 0, 1)
    return share * share * (3 - 2 * share)


def twelve(independent: Array) -> Array:
    """From I, II, V1 … V6 to all twelve (Einthoven, Goldberger)."""
    one, two = independent[0], independent[1]
    return np.vstack([one, two, two - one, -(one + two) / 2, one - two / 2, two - one / 2, independent[2:]])


def _dipole(rng: np.random.Generator) -> Callable[[Array], Array]:
    directions = rng.normal(size=(3, 3))
    parts = ((0.0, 0.4), (0.2, 0.85), (0.5, 1.0))
    return lambda s: DOWER @ (directions.T @ np.stack([bump((s - a) / (b - a)) for a, b in parts]))


def _sines(rng: np.random.Generator) -> Callable[[Array], Array]:
    size = rng.normal(size=(8, 4))
    return lambda s: np.where((s > 0) & (s < 1), size @ np.stack([np.sin(k * np.pi * s) for k in (1, 2, 3, 4)]), 0.0)


def _spline(rng: np.random.Generator, degree: int) -> Callable[[Array], Array]:
    count = 9
    knots = np.arange(-degree, count + 2 * degree + 1) / (count + degree)
    nothing = np.zeros((degree, 8))
    curve = BSpline(knots, np.vstack([nothing, rng.normal(size=(count, 8)), nothing]), degree, extrapolate=False)
    return lambda s: np.nan_to_num(curve(np.where((s > 0) & (s < 1), s, np.nan))).T


def _bells(rng: np.random.Generator) -> Callable[[Array], Array]:
    centre = np.linspace(0.14, 0.86, 5) + rng.uniform(-0.03, 0.03, 5)
    width, size = rng.uniform(0.07, 0.12, 5), rng.normal(size=(8, 5))

    def shape(s: Array) -> Array:
        edge = step(np.minimum(s, 1 - s) / 0.12)
        return (size @ np.exp(-0.5 * ((s - centre[:, None]) / width[:, None]) ** 2)) * edge

    return shape


FAMILIES: dict[str, Callable[[np.random.Generator], Callable[[Array], Array]]] = {
    "dipole": _dipole,
    "sines": _sines,
    "quadratic spline": lambda rng: _spline(rng, 2),
    "cubic spline": lambda rng: _spline(rng, 3),
    "bells": _bells,
}


def record(
    family: str,
    width_ms: float,
    seed: int,
    *,
    noise_mv: float = 0.02,
    rate_hz: float = 1000.0,
    seconds: float = 10.0,
    stimulus_before_ms: float | None = None,
    mains_mv: float = 0.0,
    wander_mv: float = 0.1,
    shape: Callable[[Array], Array] | None = None,
    peak_mv: float = 1.2,
) -> Record:
    """Ten seconds with P and T waves, an ST level, baseline wander and noise; ``shape`` replaces the family's."""
    rng = np.random.default_rng(seed)
    shape = shape or FAMILIES[family](rng)
    gain = peak_mv / np.abs(shape(np.linspace(0, 1, 400))).max()
    ms = np.arange(round(seconds * rate_hz)) / rate_hz * 1000
    p, t, st = rng.normal(size=(8, 1)) * 0.06, rng.normal(size=(8, 1)) * 0.25, rng.normal(size=(8, 1)) * 0.04
    pause, cycle, at = rng.uniform(20, 80), rng.uniform(700, 1000), rng.uniform(250, 400)
    independent, onsets = np.zeros((8, ms.size)), []
    while at < seconds * 1000 - 700:
        near = (ms > at - 400) & (ms < at + 800)
        from_onset = ms[near] - at
        after = from_onset - width_ms
        independent[:, near] += gain * shape(from_onset / width_ms) + p * bump((from_onset + 150) / 90)
        level = step((from_onset / width_ms - 0.6) / 0.4) * (1 - step((after - 60) / 200))
        independent[:, near] += t * bump((after - pause) / 200) + st * level
        onsets.append(at)
        at += cycle + 15 * rng.normal()
    if stimulus_before_ms is not None:
        spike = rng.normal(size=8) * 1.5
        for onset in onsets:
            first = round((onset - stimulus_before_ms) * rate_hz / 1000)
            independent[:, first : first + max(1, round(rate_hz / 1000))] += spike[:, None]
    independent += rng.normal(size=independent.shape) * noise_mv
    independent += rng.normal(size=(8, 1)) * wander_mv * np.sin(2 * np.pi * 0.25 * ms / 1000 + rng.uniform(0, 6))
    independent += rng.normal(size=(8, 1)) * mains_mv * np.sin(2 * np.pi * 50 * ms / 1000 + 1)
    leads = dict(zip(LEADS, twelve(independent), strict=True))
    return Record(leads, rate_hz, np.array(onsets), width_ms)
