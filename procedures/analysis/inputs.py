"""From the channels of an open recording to the engine's signals on one clock."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from procedures.haemodynamics import PressureVolumeSignals, QualityNote
from procedures.recordings import Assignment, Channel, Recording, RecordingError

from .common_clock import resample

SEGMENT_ROLES = tuple(f"V_{n}" for n in range(1, 8))
MIN_SEGMENTS = 3


def engine_signals(recording: Recording, assignment: Assignment) -> tuple[PressureVolumeSignals, list[QualityNote]]:
    """Decode the channels with a role and put them on the clock of the pressure.

    Channels are read one at a time into the arrays that the engine takes, so that none is held twice.

    Raises
    ------
    RecordingError
        Where the pressure holds no values, or there are too few volume segments.
    """
    pressure = _channel(recording, assignment, "P_LV")
    if not np.isfinite(pressure.samples).any():
        raise RecordingError("The left-ventricular pressure holds no values.")
    other_rates: dict[float, list[str]] = {}

    def rows(roles: Iterable[str]) -> NDArray[np.float64] | None:
        present = [role for role in roles if role in assignment.roles]
        if not present:
            return None
        table = np.empty((len(present), pressure.samples.size))
        for row, role in zip(table, present, strict=True):
            channel = _channel(recording, assignment, role)
            if not math.isclose(channel.sample_rate_hz, pressure.sample_rate_hz, rel_tol=1e-9):
                other_rates.setdefault(channel.sample_rate_hz, []).append(channel.label)
            row[:] = _on_clock_of(pressure, channel)
        return table

    segments, total, breath = rows(SEGMENT_ROLES), rows(["V_LV"]), rows(["RESP"])
    if segments is not None and len(segments) < MIN_SEGMENTS:
        if total is None:
            raise RecordingError(
                f"The recording has {len(segments)} segmental volume(s) and no total volume; "
                f"{MIN_SEGMENTS} to 7 segments, or V_LV, are needed."
            )
        segments = None
    signals = PressureVolumeSignals(
        sample_rate_hz=pressure.sample_rate_hz,
        pressure_mmhg=pressure.samples,
        segments_ml=segments,
        volume_ml=None if total is None else total[0],
        ecg_mv=rows(role for role in assignment.roles if role and role.startswith("ECG")),
        respiration=None if breath is None else breath[0],
        start_s=recording.start_s,
    )
    resampled = [
        QualityNote(
            code="resampled",
            message=f"Sampled at {rate:g} Hz and brought to the {pressure.sample_rate_hz:g} Hz of the pressure: "
            + ", ".join(labels)
            + ".",
            channel=", ".join(labels),
            severity="info",
        )
        for rate, labels in other_rates.items()
    ]
    return signals, resampled + _about_volumes(assignment)


def _channel(recording: Recording, assignment: Assignment, role: str) -> Channel:
    at = assignment.roles.index(role)
    # a label with a role is the only one of its kind: two would have been asked about
    (channel,) = recording.read(labels=[recording.channels[at].label])
    factor = assignment.factors[at]
    return channel if factor == 1.0 else replace(channel, samples=channel.samples * factor)


def _on_clock_of(pressure: Channel, channel: Channel) -> NDArray[np.float64]:
    size = pressure.samples.size
    if not math.isclose(channel.sample_rate_hz, pressure.sample_rate_hz, rel_tol=1e-9):
        return resample(channel.samples, channel.sample_rate_hz, pressure.sample_rate_hz, size)
    if channel.samples.size == size:
        return channel.samples
    padded = np.full(size, np.nan)
    padded[: channel.samples.size] = channel.samples[:size]
    return padded


def _about_volumes(assignment: Assignment) -> list[QualityNote]:
    segments = [n for n in range(1, 8) if f"V_{n}" in assignment.roles]
    conductances = [n for n in range(1, 8) if f"G_{n}" in assignment.roles]
    has_total = "V_LV" in assignment.roles
    notes = []
    if conductances and not segments and not has_total:
        notes.append(
            QualityNote(
                "not_calibrated",
                f"The recording holds {len(conductances)} conductances but no calibration is known for it, "
                "so there are no volumes and no metrics that need them.",
            )
        )
    if 0 < len(segments) < MIN_SEGMENTS:
        notes.append(
            QualityNote(
                "too_few_segments",
                f"The recording has {len(segments)} segmental volume(s); fewer than {MIN_SEGMENTS} say nothing of "
                "dyssynchrony, and only the total volume V_LV was used.",
            )
        )
    if len(segments) >= MIN_SEGMENTS and (missing := sorted(set(range(segments[0], segments[-1] + 1)) - set(segments))):
        names = ", ".join(f"V_{n}" for n in missing)
        notes.append(
            QualityNote(
                "segment_missing",
                f"The volume of segment {names} is missing between others; the total volume is the sum of the rest.",
            )
        )
    if len(segments) >= MIN_SEGMENTS and has_total:
        notes.append(
            QualityNote(
                "total_from_segments",
                "The recording holds segmental volumes and a total; the total used is the sum of the segments.",
                severity="info",
            )
        )
    return notes
