"""Electrocardiograms as numbers to draw: the sheet of twelve leads, the average beat, a strip for calipers."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np

from procedures.electrocardiogram import LEADS, Electrocardiogram
from procedures.electrocardiogram.ecg import FloatArray
from procedures.electrocardiogram.spikes import find_spikes
from procedures.pipeline.ecg_leads import read_leads
from procedures.recordings import ChannelInfo, EpochMark, Recording, RecordingError, decimate
from procedures.recordings.units import Quantity, judge_unit

# The usual printed form (common practice, no source): three rows of four columns, 2.5 s each, and one lead throughout.
COLUMN_S, COLUMNS, RHYTHM_LEAD = 2.5, 4, "II"
SHEET_S = COLUMN_S * COLUMNS
# Two drawn values (lowest, highest) for each 4 ms, 0.1 mm on paper: a pacing stimulus is not lost between two.
_STEP_S = 0.004
LONGEST_STRIP_S = 5.0


def sheet(recording: Recording, mapping: Mapping[str, str], start_s: float, end_s: float) -> dict[str, Any]:
    """Up to ten seconds of all leads, microvolts, and the times of pacing stimuli in them.

    Raises
    ------
    RecordingError, ElectrocardiogramError
        Where the stretch holds no leads.
    """
    end_s = min(end_s, start_s + SHEET_S)
    ecg, _ = read_leads(recording, mapping, EpochMark("", start_s, end_s))
    samples = ecg.samples_mv - np.nanmedian(ecg.samples_mv, axis=1, keepdims=True)
    panels = []
    for index, lead in enumerate(LEADS):
        column, row = divmod(index, 3)
        if lead in ecg.leads:
            part = _drawn(samples[ecg.leads.index(lead)], ecg.sample_rate_hz, column * COLUMN_S, COLUMN_S)
        else:
            part = {"times_ms": [], "microvolts": []}
        panels.append({"lead": lead, "row": row, "column": column, "missing": lead not in ecg.leads} | part)
    rhythm = RHYTHM_LEAD if RHYTHM_LEAD in ecg.leads else ecg.leads[0]
    whole = _drawn(samples[ecg.leads.index(rhythm)], ecg.sample_rate_hz, 0.0, SHEET_S)
    return {
        "start_s": start_s,
        "length_s": samples.shape[1] / ecg.sample_rate_hz,
        "panels": panels,
        "rhythm": {"lead": rhythm} | whole,
        "stimuli_ms": _stimuli_ms(ecg),
    }


def _drawn(samples: FloatArray, rate: float, from_s: float, length_s: float) -> dict[str, list[int | None]]:
    points = max(1, round(length_s / _STEP_S))
    times, lows, highs = decimate(samples, rate, from_s, from_s + length_s, points)
    if times.size and (highs > lows).any():
        times, values = np.repeat(times, 2), np.column_stack((lows, highs)).ravel()
    else:
        values = lows
    return {
        "times_ms": np.rint((times - from_s) * 1000).astype(int).tolist(),
        "microvolts": [round(v * 1000) if np.isfinite(v) else None for v in values.tolist()],
    }


def _stimuli_ms(ecg: Electrocardiogram) -> list[int]:
    samples = np.nan_to_num(ecg.samples_mv[ecg.independent])
    spikes = find_spikes(samples, ecg.sample_rate_hz)
    return np.rint(spikes.at / ecg.sample_rate_hz * 1000).astype(int).tolist()


def potentials(channels: Iterable[ChannelInfo]) -> list[str]:
    """Labels of the channels that hold a potential: the leads, and intracardiac electrograms if there are any."""
    return [c.label for c in channels if c.unit and judge_unit(c.unit, Quantity.POTENTIAL).factor is not None]


def strip(recording: Recording, labels: Sequence[str], start_s: float, end_s: float) -> dict[str, Any]:
    """Every sample of some potentials between two times, microvolts against their median.

    Raises
    ------
    RecordingError
        Where a label is no potential of the recording, or the stretch is too long or outside it.
    """
    first, last = recording.start_s, recording.start_s + recording.duration_s
    if not (first <= start_s < end_s <= last + 1e-6 and end_s - start_s <= LONGEST_STRIP_S):
        raise RecordingError(
            f"A strip must be between {first:g} and {last:g} s and at most {LONGEST_STRIP_S:g} s long."
        )
    known = potentials(recording.channels)
    if unknown := [label for label in labels if label not in known]:
        raise RecordingError(f"'{unknown[0]}' is not a lead of this recording.")
    read = {channel.label: channel for channel in recording.read(start_s, end_s, list(dict.fromkeys(labels)))}
    drawn = []
    for label in labels:
        channel = read[label]
        factor = judge_unit(channel.unit, Quantity.POTENTIAL).factor or 1.0
        values = channel.samples * factor * 1000
        middle = float(np.nanmedian(values)) if np.isfinite(values).any() else 0.0
        kept = [round(v - middle) if np.isfinite(v) else None for v in values.tolist()]
        drawn.append({"label": label, "sample_rate_hz": channel.sample_rate_hz, "microvolts": kept})
    return {"start_s": start_s, "end_s": end_s, "strips": drawn}
