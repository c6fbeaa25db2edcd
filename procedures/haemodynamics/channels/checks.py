"""What the channels of a recording look like, gathered stretch by stretch."""

from __future__ import annotations

import numpy as np

from ..results import QualityNote
from ..signals import FloatArray, PressureVolumeSignals
from ..windows import _block_means
from .faults import ChannelFaults
from .plausibility import _pressure_notes, _segment_notes, _volume_notes

THINNED_HZ = 50.0
BREATHING_HZ = 4.0
# A pacing spike may saturate an amplifier for a moment without harm.
SPIKE_SHARE = 0.005


class RecordingChecks:
    """Notes on every channel, and the breathing channel thinned out."""

    def __init__(self, sample_rate_hz: float) -> None:
        self._rate = sample_rate_hz
        self._channels: dict[str, ChannelFaults] = {}
        self._thin: dict[str, list[FloatArray]] = {"pressure": [], "total": [], "segments": []}
        self._breath: list[tuple[FloatArray, FloatArray]] = []

    def add(self, stretch: PressureVolumeSignals) -> None:
        """Look at one stretch; stretches must follow one another without overlap."""
        step = max(int(self._rate // THINNED_HZ), 1)
        self._channel("P_LV").add(stretch.pressure_mmhg)
        self._thin["pressure"].append(stretch.pressure_mmhg[::step].copy())
        if stretch.segments_ml is not None:
            for index, row in enumerate(stretch.segments_ml):
                self._channel(f"V_{index + 1}").add(row)
            self._thin["segments"].append(stretch.segments_ml[:, ::step].copy())
        elif stretch.volume_ml is not None:
            self._channel("V_LV").add(stretch.volume_ml)
            self._thin["total"].append(stretch.volume_ml[::step].copy())
        for index, lead in enumerate(() if stretch.ecg_mv is None else stretch.ecg_mv):
            name = stretch.ecg_labels[index] if index < len(stretch.ecg_labels) else f"ECG lead {index + 1}"
            self._channel(name, SPIKE_SHARE).add(lead)
        if stretch.respiration is not None:
            self._channel("RESP", 1.0).add(stretch.respiration)
            self._breath.append(_thinned(stretch.respiration, self._rate, stretch.start_s))

    def _channel(self, name: str, clipped_share: float | None = None) -> ChannelFaults:
        if name not in self._channels:
            extra = () if clipped_share is None else (clipped_share,)
            self._channels[name] = ChannelFaults(name, self._rate, *extra)
        return self._channels[name]

    def notes(self) -> list[QualityNote]:
        """Everything to be said about the channels as they came."""
        notes = [note for channel in self._channels.values() for note in channel.notes()]
        pressure, total, segments = (np.concatenate(x, axis=-1) if x else None for x in self._thin.values())
        if pressure is not None:
            notes += _pressure_notes(pressure)
        if segments is not None:
            total = segments.sum(axis=0)
        if total is not None:
            notes += _volume_notes(total)
        return notes if segments is None else notes + _segment_notes(segments)

    def breathing(self) -> tuple[FloatArray, FloatArray] | None:
        """Times, s, and values of the breathing channel, or ``None`` where there is none."""
        if not self._breath:
            return None
        return np.concatenate([time for time, _ in self._breath]), np.concatenate([value for _, value in self._breath])


def _thinned(respiration: FloatArray, sample_rate_hz: float, start_s: float) -> tuple[FloatArray, FloatArray]:
    """Times, s, and means of a breathing channel at about 4 Hz; blocks with missing samples are left out."""
    step = max(int(sample_rate_hz / BREATHING_HZ), 1)
    series = _block_means(respiration, step)
    time_s: FloatArray = start_s + (np.arange(series.size, dtype=np.float64) + 0.5) * (step / sample_rate_hz)
    good = np.isfinite(series)
    return time_s[good], series[good]
