"""Errors of a measurement against the truth of a simulated record, ms."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from procedures.electrocardiogram import electrocardiogram, measure
from tests.procedures.electrocardiogram.simulated import FAMILIES, Record, record


@dataclass(frozen=True)
class Errors:
    onset: float
    offset: float
    duration_sd: float

    @property
    def duration(self) -> float:
        return self.offset - self.onset


def errors(simulated: Record) -> Errors:
    """Measure, and compare the average beat's limits with the true ones of the beats it was made of."""
    measured = measure(electrocardiogram(simulated.leads, simulated.rate_hz))
    start = (measured.beat.beats - measured.beat.centre) / measured.sample_rate_hz * 1000
    true = simulated.onsets_ms[np.argmin(np.abs(simulated.onsets_ms - (start + measured.onset_ms)[:, None]), axis=1)]
    onset = float(np.median(true - start))
    return Errors(
        measured.onset_ms - onset, measured.offset_ms - onset - simulated.width_ms, measured.qrs_duration_sd_ms
    )


def many(widths, noises, seeds, families=tuple(FAMILIES), **conditions):
    """Errors for every family, width, noise and seed."""
    return [
        errors(record(family, width, 1000 * int(width) + seed, noise_mv=noise, **conditions))
        for family in families
        for width in widths
        for noise in noises
        for seed in range(seeds)
    ]
