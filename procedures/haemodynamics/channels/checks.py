"""What the channels of a recording look like, gathered stretch by stretch."""

from __future__ import annotations

import math
from dataclasses import dataclass

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


@dataclass(frozen=True)
class Thinned:
    """Channels of a whole recording at about 50 Hz; NaN where a sample is missing.

    ``pressure_mmhg`` and ``aortic_mmhg`` of shape (n,), ``segments_ml`` of shape (k, n); the latter two or ``None``.
    """

    start_s: float
    rate_hz: float
    pressure_mmhg: FloatArray
    segments_ml: FloatArray | None
    aortic_mmhg: FloatArray | None

    def between(self, first_s: float, last_s: float) -> slice:
        """The samples between two times of the recording's clock, s."""
        first, last = ((at - self.start_s) * self.rate_hz for at in (first_s, last_s))
        return slice(max(math.ceil(first), 0), max(math.ceil(last), 0))


class RecordingChecks:
    """Notes on every channel, and the breathing channel thinned out."""

    def __init__(self, sample_rate_hz: float) -> None:
        self._rate = sample_rate_hz
        self._step = max(int(sample_rate_hz // THINNED_HZ), 1)
        self._read = 0
        self._start_s: float | None = None
        self._channels: dict[str, ChannelFaults] = {}
        self._thin: dict[str, list[FloatArray]] = {
            "pressure": [],
            "total": [],
            "segments": [],
            "aortic": [],
        }
        self._breath: list[tuple[FloatArray, FloatArray]] = []

    def add(self, stretch: PressureVolumeSignals) -> None:
        """Look at one stretch; stretches must follow one another without overlap."""
        step = self._step
        offset = -self._read % step
        self._start_s = stretch.start_s if self._start_s is None else self._start_s
        self._read += stretch.size
        self._channel("P_LV").add(stretch.pressure_mmhg)
        self._thin["pressure"].append(stretch.pressure_mmhg[offset::step].copy())
        if stretch.aortic_mmhg is not None:
            self._thin["aortic"].append(stretch.aortic_mmhg[offset::step].copy())
        if stretch.segments_ml is not None:
            for index, row in enumerate(stretch.segments_ml):
                self._channel(f"V_{index + 1}").add(row)
            self._thin["segments"].append(stretch.segments_ml[:, offset::step].copy())
        elif stretch.volume_ml is not None:
            self._channel("V_LV").add(stretch.volume_ml)
            self._thin["total"].append(stretch.volume_ml[offset::step].copy())
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
        pressure, total, segments = (self._joined(name) for name in ("pressure", "total", "segments"))
        if pressure is not None:
            notes += _pressure_notes(pressure)
        if segments is not None:
            total = segments.sum(axis=0)
        if total is not None:
            notes += _volume_notes(total)
        return notes if segments is None else notes + _segment_notes(segments)

    def _joined(self, name: str) -> FloatArray | None:
        parts = self._thin[name]
        return np.concatenate(parts, axis=-1) if parts else None

    def thinned(self) -> Thinned:
        """The channels that are held against one another and against their own past, thinned out."""
        pressure = self._joined("pressure")
        return Thinned(
            self._start_s or 0.0,
            self._rate / self._step,
            np.empty(0) if pressure is None else pressure,
            self._joined("segments"),
            self._joined("aortic"),
        )

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
