"""What goes in: signals on one clock, and the epochs to look at."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Protocol

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
    ecg_labels
        Names of the leads for notes about them, where they are known.
    aortic_mmhg
        Aortic pressure, shape (n,), or ``None``; the level and scale of the ventricle's are held against it.

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
    ecg_labels: tuple[str, ...] = ()
    aortic_mmhg: FloatArray | None = None

    def __post_init__(self) -> None:
        if not (math.isfinite(self.sample_rate_hz) and self.sample_rate_hz >= 100):
            raise ValueError(
                f"The sample rate must be 100 Hz or more, but is {self.sample_rate_hz} Hz; dP/dt needs at least that."
            )
        pressure = np.asarray(self.pressure_mmhg, dtype=float)
        if pressure.ndim != 1:
            raise ValueError(f"The pressure must be one row of samples, but has shape {pressure.shape}.")
        object.__setattr__(self, "pressure_mmhg", pressure)
        for name, rows in (
            ("segments_ml", True),
            ("ecg_mv", True),
            ("volume_ml", False),
            ("respiration", False),
            ("aortic_mmhg", False),
        ):
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
        return self.size / self.sample_rate_hz

    @property
    def size(self) -> int:
        """Number of samples of each channel."""
        return int(self.pressure_mmhg.size)

    @property
    def segment_count(self) -> int:
        """Number of segmental volumes."""
        return 0 if self.segments_ml is None else len(self.segments_ml)

    @property
    def has_volume(self) -> bool:
        """Whether there is any volume, segmental or total."""
        return self.segments_ml is not None or self.volume_ml is not None

    def stretch(self, first: int, last: int) -> PressureVolumeSignals:
        """The samples from ``first`` up to ``last`` of every channel, without copying them."""
        if first <= 0 and last >= self.size:
            return self
        first = max(first, 0)

        def cut(x: FloatArray | None) -> FloatArray | None:
            return None if x is None else x[..., first:last]

        return replace(
            self,
            pressure_mmhg=self.pressure_mmhg[first:last],
            segments_ml=cut(self.segments_ml),
            volume_ml=cut(self.volume_ml),
            ecg_mv=cut(self.ecg_mv),
            respiration=cut(self.respiration),
            aortic_mmhg=cut(self.aortic_mmhg),
            start_s=self.start_s + first / self.sample_rate_hz,
        )

    def segments(self, first: int, last: int) -> FloatArray:
        """The segmental volumes of a stretch, mL, shape (k, last − first).

        Raises
        ------
        ValueError
            If there are none.
        """
        if self.segments_ml is None:
            raise ValueError("The recording has no segmental volumes.")
        return self.segments_ml[:, max(first, 0) : last]

    @property
    def total_ml(self) -> FloatArray | None:
        """Total volume, shape (n,): the sum of the segments, or else the total channel."""
        if self.segments_ml is not None:
            return np.asarray(self.segments_ml.sum(axis=0))
        return self.volume_ml


class SignalSource(Protocol):
    """Signals that may be too long to hold at once: any stretch of them on demand.

    Attributes
    ----------
    sample_rate_hz, start_s, size
        Sampling rate (Hz), time of the first sample (s) and number of samples of the pressure's clock.
    segment_count
        Segmental volumes, 0 where there are none.
    has_volume
        Whether there is any volume, segmental or total.
    """

    @property
    def sample_rate_hz(self) -> float: ...
    @property
    def start_s(self) -> float: ...
    @property
    def size(self) -> int: ...
    @property
    def segment_count(self) -> int: ...
    @property
    def has_volume(self) -> bool: ...

    def stretch(self, first: int, last: int) -> PressureVolumeSignals:
        """Every channel from sample ``first`` up to ``last``."""
        ...

    def segments(self, first: int, last: int) -> FloatArray:
        """The segmental volumes alone, mL, shape (segment_count, last − first)."""
        ...


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
