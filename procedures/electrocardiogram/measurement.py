"""From leads to the measured average beat."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from .average import AverageBeat, _average_beat
from .axis import frontal_axis
from .beats import _find_beats, _level_baseline
from .delineation import Delineation, delineate
from .delineation_settings import DelineationSettings
from .ecg import Electrocardiogram, ElectrocardiogramError, FloatArray
from .mains import _remove_mains
from .spikes import Spikes, _blank, find_spikes
from .waves import LeadQrs, _measure_lead

ALGORITHM_VERSION = "4"
# Slower records are interpolated (band-limited) to about 1 kHz: the fine step of the delineation needs several
# samples on a steep edge.
_FULL_RATE_HZ, _ENOUGH_HZ = 1000.0, 750.0
# A ventricular stimulus lies between 80 ms before the QRS onset (latency in scar) and its middle; one before is
# atrial (common practice, no source).
_EARLIEST_STIMULUS_MS = 80.0
# Nothing shorter is taken for a QRS complex (own choice; the database keeps no shorter one either).
_SHORTEST_QRS_MS = 40.0


@dataclass(frozen=True)
class Stimulus:
    """A stimulus at the same place of most beats: ms from the QRS onset (negative: before), share of the beats."""

    from_onset_ms: float
    share: float
    size_mv: float


@dataclass(frozen=True, eq=False)
class Measurement:
    """The measured average beat.

    Attributes
    ----------
    onset_ms, offset_ms
        From the first sample of the average beat.
    rr_ms
        Median interval between all complexes; NaN with a single one.
    axis_degrees
        None where I or aVF is missing.
    leads
        By name.
    stimuli
        Stimuli of most beats, in order of time; ``paced`` where one is ventricular.
    beat
        The average beat, with its beats as samples of the record at ``sample_rate_hz``.
    notes
        What a reader of the numbers should know.
    """

    delineation: Delineation
    rr_ms: float
    axis_degrees: float | None
    leads: Mapping[str, LeadQrs]
    stimuli: tuple[Stimulus, ...]
    beat: AverageBeat
    sample_rate_hz: float
    lead_names: tuple[str, ...]
    notes: tuple[str, ...] = ()

    @property
    def onset_ms(self) -> float:
        """QRS onset."""
        return self.delineation.onset.time_ms

    @property
    def offset_ms(self) -> float:
        """QRS offset."""
        return self.delineation.offset.time_ms

    @property
    def qrs_duration_ms(self) -> float:
        """Global QRS duration."""
        return self.delineation.duration_ms

    @property
    def qrs_duration_sd_ms(self) -> float:
        """Its standard deviation."""
        return self.delineation.duration_sd_ms

    @property
    def ventricular_stimuli(self) -> tuple[Stimulus, ...]:
        """Stimuli near enough to the QRS to be ventricular."""
        return tuple(s for s in self.stimuli if -_EARLIEST_STIMULUS_MS <= s.from_onset_ms <= self.qrs_duration_ms / 2)

    @property
    def paced(self) -> bool:
        """Whether most beats carry a ventricular stimulus."""
        return bool(self.ventricular_stimuli)

    @property
    def latency_ms(self) -> float | None:
        """From the first ventricular stimulus to the QRS onset; negative where the QRS began before it."""
        return -self.ventricular_stimuli[0].from_onset_ms if self.paced else None


def measure(ecg: Electrocardiogram, settings: DelineationSettings | None = None) -> Measurement:
    """Blank stimuli, average the beats of the commonest shape, delineate and describe the QRS.

    Parameters
    ----------
    ecg
        The leads; NaN where the signal was lost is filled, and beats that touch it do not count.
    settings
        Choices of the delineation; the defaults when None.

    Returns
    -------
    Measurement
        Times in ms, potentials in mV.

    Raises
    ------
    ElectrocardiogramError
        Where no QRS stands out of the record, or what stands out is too short to be one.
    """
    samples, lost = _filled(ecg.samples_mv)
    rows, rate = ecg.independent, ecg.sample_rate_hz
    spikes = find_spikes(samples[rows], rate)
    samples, lines = _remove_mains(_blank(samples, spikes, rate), rate)
    factor = 1 if rate >= _ENOUGH_HZ else math.ceil(_FULL_RATE_HZ / rate)
    if factor > 1:
        samples = signal.resample_poly(samples, factor, 1, axis=1, padtype="line")
        rate, lost = rate * factor, np.repeat(lost, factor)
    found = _find_beats(samples[rows], rate)
    samples = _level_baseline(samples, found, rate)
    beat = _average_beat(samples, rows, found, rate, lost)
    delineation = delineate(
        beat.samples_mv[rows], beat.noise_mv[rows], beat.correlation_time, beat.centre, rate, settings
    )
    if delineation.duration_ms < _SHORTEST_QRS_MS:
        raise ElectrocardiogramError(
            f"What stands out of the record lasts {delineation.duration_ms:.0f} ms, too short for a QRS complex: "
            "perhaps a pacing stimulus. Look at the signal, or choose another stretch."
        )
    leads = {
        name: _measure_lead(
            beat.samples_mv[i], beat.noise_mv[i], delineation.onset.time_ms, delineation.offset.time_ms, rate
        )
        for i, name in enumerate(ecg.leads)
    }
    axis = frontal_axis(leads["I"].area_mv_ms, leads["aVF"].area_mv_ms) if {"I", "aVF"} <= leads.keys() else None
    return Measurement(
        delineation=delineation,
        rr_ms=float(np.median(np.diff(found)) / rate * 1000) if found.size > 1 else math.nan,
        axis_degrees=axis,
        leads=leads,
        stimuli=_stimuli(spikes, factor, beat, delineation, rate),
        beat=beat,
        sample_rate_hz=rate,
        lead_names=ecg.leads,
        notes=_notes(ecg, lines, beat, factor, delineation.doubtful_end),
    )


def _filled(samples_mv: FloatArray) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Samples with gaps bridged by straight lines, and where the gaps were in any lead."""
    missing = ~np.isfinite(samples_mv)
    lost = np.asarray(missing.any(axis=0))
    if not lost.any():
        return samples_mv, lost
    filled = samples_mv.copy()
    clock = np.arange(samples_mv.shape[1])
    for row, gap in zip(filled, missing, strict=True):
        row[gap] = np.interp(clock[gap], clock[~gap], row[~gap])
    return filled, lost


def _stimuli(
    spikes: Spikes, factor: int, beat: AverageBeat, delineation: Delineation, sample_rate_hz: float
) -> tuple[Stimulus, ...]:
    """Stimuli that come at the same time, up to the end of the QRS, of at least half of the beats."""
    if not spikes.at.size:
        return ()
    per_ms = sample_rate_hz / 1000.0
    start, onset_ms = beat.beats - beat.centre, delineation.onset.time_ms
    relative = (spikes.at * factor - start[:, None]) / per_ms - onset_ms  # (n_beats, n_spikes)
    inside = (relative > -onset_ms) & (relative < delineation.duration_ms)
    which, spike = np.nonzero(inside)
    order = np.argsort(relative[which, spike])
    times, owners, sizes = relative[which, spike][order], which[order], spikes.size_mv[spike][order]
    groups = np.split(np.arange(times.size), np.flatnonzero(np.diff(times) > 10.0) + 1)
    found = []
    for group in groups:
        share = np.unique(owners[group]).size / beat.beats.size if group.size else 0.0
        if share >= 0.5:
            found.append(Stimulus(float(np.median(times[group])), float(share), float(np.median(sizes[group]))))
    return tuple(found)


def _notes(
    ecg: Electrocardiogram, lines: tuple[float, ...], beat: AverageBeat, factor: int, doubtful: bool
) -> tuple[str, ...]:
    notes = []
    if ecg.left_out:
        notes.append(f"No signal in {', '.join(ecg.left_out)}; left out.")
    if ecg.derived:
        notes.append(f"{', '.join(ecg.derived)} computed from the other limb leads.")
    if ecg.independent.size < 8:
        notes.append(f"Only {ecg.independent.size} independent leads: the global onset and offset may be missed.")
    if lines:
        notes.append(f"Mains interference at {', '.join(f'{line:g}' for line in lines)} Hz was subtracted.")
    if factor > 1:
        notes.append(f"Sampled at {ecg.sample_rate_hz:g} Hz and interpolated to {ecg.sample_rate_hz * factor:g} Hz.")
    if doubtful:
        notes.append(
            "A slow wave follows the steep part of the QRS. Check whether it belongs to the QRS or is a T wave."
        )
    if beat.beats.size < 4:
        notes.append(f"Only {beat.beats.size} beats of one shape: the estimate of uncertainty is unreliable.")
    if beat.others > beat.beats.size:
        notes.append(f"{beat.others} of {beat.others + beat.beats.size} beats had another shape or were cut off.")
    return tuple(notes)
