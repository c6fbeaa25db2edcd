"""From the channels of an open recording to the engine's signals on one clock."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from procedures.haemodynamics import PressureVolumeSignals, QualityNote
from procedures.haemodynamics.calibration import Calibration
from procedures.recordings import Assignment, Channel, Recording, RecordingError

from .common_clock import resample
from .volumes import about_volumes, read_volumes

#: Start and end of a stretch on the file's own time axis, s.
Span = tuple[float, float]


def engine_signals(
    recording: Recording,
    assignment: Assignment,
    calibrations: Sequence[Calibration] = (),
    span: Span | None = None,
) -> tuple[PressureVolumeSignals, list[QualityNote]]:
    """Decode the channels with a role and put them on the clock of the pressure; of a stretch only, where one is given.

    Channels are read one at a time into the arrays that the engine takes, so that none is held twice.

    Raises
    ------
    RecordingError
        Where the pressure holds no values, or there are too few volume segments.
    """
    pressure = _channel(recording, assignment, "P_LV", span)
    start_s = recording.start_s if span is None else max(recording.start_s, span[0])
    if not np.isfinite(pressure.samples).any():
        raise RecordingError("The left-ventricular pressure holds no values.")
    other_rates: dict[float, list[str]] = {}

    def rows(roles: Iterable[str]) -> NDArray[np.float64] | None:
        present = [role for role in roles if role in assignment.roles]
        if not present:
            return None
        table = np.empty((len(present), pressure.samples.size))
        for row, role in zip(table, present, strict=True):
            channel = _channel(recording, assignment, role, span)
            if not math.isclose(channel.sample_rate_hz, pressure.sample_rate_hz, rel_tol=1e-9):
                other_rates.setdefault(channel.sample_rate_hz, []).append(channel.label)
            row[:] = _on_clock_of(pressure, channel)
        return table

    breath = rows(["RESP"])
    segments, total = read_volumes(rows, assignment, calibrations, start_s, pressure.sample_rate_hz)
    signals = PressureVolumeSignals(
        sample_rate_hz=pressure.sample_rate_hz,
        pressure_mmhg=pressure.samples,
        segments_ml=segments,
        volume_ml=total,
        ecg_mv=rows(role for role in assignment.roles if role and role.startswith("ECG")),
        respiration=None if breath is None else breath[0],
        start_s=start_s,
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
    return signals, resampled + about_volumes(assignment, calibrations, start_s)


def _channel(recording: Recording, assignment: Assignment, role: str, span: Span | None) -> Channel:
    at = assignment.roles.index(role)
    # a label with a role is the only one of its kind: two would have been asked about
    start_s, end_s = span or (None, None)
    (channel,) = recording.read(start_s, end_s, labels=[recording.channels[at].label])
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
