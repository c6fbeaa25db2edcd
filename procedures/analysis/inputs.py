"""From the channels of an open recording to the engine's signals on one clock."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from procedures.haemodynamics import PressureVolumeSignals, QualityNote
from procedures.recordings import Assignment, Channel, Recording, RecordingError

from .common_clock import resample

SEGMENT_ROLES = tuple(f"V_{n}" for n in range(1, 8))


def engine_signals(recording: Recording, assignment: Assignment) -> tuple[PressureVolumeSignals, list[QualityNote]]:
    """Decode the channels with a role and put them on the clock of the pressure.

    Raises
    ------
    RecordingError
        Where the pressure holds no values, or there are too few volume segments.
    """
    labels = {channel.label for channel, role in zip(recording.channels, assignment.roles, strict=True) if role}
    chosen = [i for i, channel in enumerate(recording.channels) if channel.label in labels]
    decoded: dict[str, Channel] = {
        role: _scaled(channel, assignment.factors[i])
        for i, channel in zip(chosen, recording.read(labels=sorted(labels)), strict=True)
        if (role := assignment.roles[i])
    }
    pressure = decoded["P_LV"]
    if not np.isfinite(pressure.samples).any():
        raise RecordingError("The left-ventricular pressure holds no values.")
    notes: list[QualityNote] = []

    def rows(roles: Iterable[str]) -> NDArray[np.float64] | None:
        present = [role for role in roles if role in decoded]
        if not present:
            return None
        return np.stack([_on_clock_of(pressure, decoded.pop(role), notes) for role in present])

    segments = rows(SEGMENT_ROLES)
    total = rows(["V_LV"])
    signals = PressureVolumeSignals(
        sample_rate_hz=pressure.sample_rate_hz,
        pressure_mmhg=pressure.samples,
        segments_ml=_enough_segments(segments, total, notes),
        volume_ml=None if total is None else total[0],
        ecg_mv=rows(role for role in assignment.roles if role and role.startswith("ECG")),
        respiration=None if (breath := rows(["RESP"])) is None else breath[0],
        start_s=recording.start_s,
    )
    return signals, notes + _about_volumes(assignment)


def _scaled(channel: Channel, factor: float) -> Channel:
    if factor == 1.0:
        return channel
    return Channel(channel.label, channel.unit, channel.sample_rate_hz, channel.samples * factor)


def _on_clock_of(pressure: Channel, channel: Channel, notes: list[QualityNote]) -> NDArray[np.float64]:
    size = pressure.samples.size
    if math.isclose(channel.sample_rate_hz, pressure.sample_rate_hz, rel_tol=1e-9):
        if channel.samples.size == size:
            return channel.samples
        padded = np.full(size, np.nan)
        padded[: channel.samples.size] = channel.samples[:size]
        return padded
    notes.append(
        QualityNote(
            code="resampled",
            message=f"The channel '{channel.label}' was sampled at {channel.sample_rate_hz:g} Hz and brought to the "
            f"{pressure.sample_rate_hz:g} Hz of the pressure.",
            channel=channel.label,
            severity="info",
        )
    )
    return resample(channel.samples, channel.sample_rate_hz, pressure.sample_rate_hz, size)


def _enough_segments(
    segments: NDArray[np.float64] | None, total: NDArray[np.float64] | None, notes: list[QualityNote]
) -> NDArray[np.float64] | None:
    if segments is None or len(segments) >= 3:
        return segments
    if total is None:
        raise RecordingError(
            f"The recording has {len(segments)} segmental volume(s) and no total volume; "
            "3 to 7 segments, or V_LV, are needed."
        )
    notes.append(
        QualityNote(
            "too_few_segments",
            f"The recording has {len(segments)} segmental volume(s); fewer than 3 say nothing of dyssynchrony, "
            "and only the total volume V_LV was used.",
        )
    )
    return None


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
    if len(segments) >= 3 and (missing := sorted(set(range(segments[0], segments[-1] + 1)) - set(segments))):
        names = ", ".join(f"V_{n}" for n in missing)
        notes.append(
            QualityNote(
                "segment_missing",
                f"The volume of segment {names} is missing between others; the total volume is the sum of the rest.",
            )
        )
    if len(segments) >= 3 and has_total:
        notes.append(
            QualityNote(
                "total_from_segments",
                "The recording holds segmental volumes and a total; the total used is the sum of the segments.",
                severity="info",
            )
        )
    return notes
