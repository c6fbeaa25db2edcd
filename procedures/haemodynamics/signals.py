"""What goes in: signals on one clock, and the epochs to look at."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class PressureVolumeSignals:
    """All channels of one recording on one common clock; NaN marks samples that are missing.

    Attributes
    ----------
    sample_rate_hz
        Samples per second, common to every channel; 100 or more.
    pressure_mmhg
        Left-ventricular pressure, shape (n,).
    segments_ml
        Segmental volumes from apex to base, shape (k, n) with k from 3 to 7, or ``None``.
    volume_ml
        Total volume, shape (n,); used only where there are no segments.
    ecg_mv
        ECG leads, shape (m, n), or ``None``.
    respiration
        Breathing signal in any unit, shape (n,), or ``None``.
    start_s
        Time of the first sample on the recording's clock, s.

    Raises
    ------
    ValueError
        If shapes disagree, the rate is not usable or the number of segments is out of range.
    """

    sample_rate_hz: float
    pressure_mmhg: FloatArray
    segments_ml: FloatArray | None = None
    volume_ml: FloatArray | None = None
    ecg_mv: FloatArray | None = None
    respiration: FloatArray | None = None
    start_s: float = 0.0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.sample_rate_hz) and self.sample_rate_hz >= 100):
            raise ValueError(
                f"The sample rate must be 100 Hz or more, but is {self.sample_rate_hz} Hz; dP/dt needs at least that."
            )
        pressure = np.asarray(self.pressure_mmhg, dtype=float)
        if pressure.ndim != 1:
            raise ValueError(f"The pressure must be one row of samples, but has shape {pressure.shape}.")
        object.__setattr__(self, "pressure_mmhg", pressure)
        for name, rows in (("segments_ml", True), ("ecg_mv", True), ("volume_ml", False), ("respiration", False)):
            value = getattr(self, name)
            if value is None:
                continue
            array = np.asarray(value, dtype=float)
            wanted = 2 if rows else 1
            if array.ndim != wanted or array.shape[-1] != pressure.size:
                raise ValueError(
                    f"{name} has shape {array.shape}, which does not fit {pressure.size} samples of pressure."
                )
            object.__setattr__(self, name, array)
        if self.segments_ml is not None and not 3 <= len(self.segments_ml) <= 7:
            raise ValueError(f"There must be 3 to 7 volume segments, but there are {len(self.segments_ml)}.")

    @property
    def duration_s(self) -> float:
        """Length of the recording, s."""
        return self.pressure_mmhg.size / self.sample_rate_hz

    @property
    def total_ml(self) -> FloatArray | None:
        """Total volume, shape (n,): the sum of the segments, or else the total channel."""
        if self.segments_ml is not None:
            return np.asarray(self.segments_ml.sum(axis=0))
        return self.volume_ml


@dataclass(frozen=True)
class EpochWindow:
    """A steady stretch under one pacing configuration, on the recording's clock (seconds)."""

    label: str
    start_s: float
    end_s: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.start_s) and math.isfinite(self.end_s) and self.end_s > self.start_s):
            raise ValueError(
                f"Epoch {self.label!r} must end after it starts, but runs from {self.start_s} to {self.end_s} s."
            )
