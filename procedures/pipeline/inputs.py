"""From the channels of an open recording to the engine's signals on one clock, any stretch at a time."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from procedures.haemodynamics import PressureVolumeSignals, QualityNote
from procedures.haemodynamics.conditioning.calibration import Calibration
from procedures.recordings import Assignment, Channel, Recording, RecordingError

from .common_clock import resample
from .volumes import about_volumes, read_volumes, segment_roles

#: Start and end of a stretch on the file's own time axis, s.
Span = tuple[float, float]
#: Read beyond both ends of a stretch of a channel that is brought to another clock, s.
_RESAMPLING_MARGIN_S = 2.0


@dataclass(frozen=True)
class FileSignals:
    """The channels of a recording that have a role, on the clock of the pressure; read when asked for.

    Channels are read one at a time into the arrays that the engine takes, so that none is held twice.

    Raises
    ------
    RecordingError
        Where there are too few volume segments.
    """

    recording: Recording
    assignment: Assignment
    calibrations: Sequence[Calibration] = ()
    sample_rate_hz: float = field(init=False)
    start_s: float = field(init=False)
    size: int = field(init=False)
    segment_count: int = field(init=False)
    has_volume: bool = field(init=False)

    def __post_init__(self) -> None:
        rate = self.recording.channels[self.assignment.roles.index("P_LV")].sample_rate_hz
        object.__setattr__(self, "sample_rate_hz", rate)
        object.__setattr__(self, "start_s", self.recording.start_s)
        object.__setattr__(self, "size", round(self.recording.duration_s * rate))
        first = self.stretch(0, min(self.size, 2))
        object.__setattr__(self, "segment_count", first.segment_count)
        object.__setattr__(self, "has_volume", first.has_volume)

    def stretch(self, first: int, last: int) -> PressureVolumeSignals:
        """Every channel from sample ``first`` up to ``last`` of the pressure."""
        first, last = max(first, 0), min(last, self.size)
        start_s = self.start_s + first / self.sample_rate_hz
        segments, total = self._volumes(first, last)
        breath = self._rows(["RESP"], first, last)
        aortic = self._rows(["P_AO"], first, last)
        leads = [role for role in self.assignment.roles if role and role.startswith("ECG")]
        pressure = np.empty(last - first)
        self._read_into(pressure, "P_LV", first, last)
        return PressureVolumeSignals(
            sample_rate_hz=self.sample_rate_hz,
            pressure_mmhg=pressure,
            segments_ml=segments,
            volume_ml=total,
            ecg_mv=self._rows(leads, first, last),
            respiration=None if breath is None else breath[0],
            start_s=start_s,
            ecg_labels=tuple(leads),
            aortic_mmhg=None if aortic is None else aortic[0],
        )

    def segments(self, first: int, last: int) -> NDArray[np.float64]:
        """The segmental volumes alone, mL, shape (k, last − first)."""
        segments, _ = self._volumes(max(first, 0), min(last, self.size), with_total=False)
        if segments is None:
            raise RecordingError("The recording has no segmental volumes.")
        return segments

    def notes(self) -> list[QualityNote]:
        """What was brought to the pressure's clock, and where the volumes come from."""
        others: dict[float, list[str]] = {}
        used = {"P_LV", "P_AO", "RESP", "V_LV", *segment_roles(self.assignment, self.calibrations)}
        for channel, role in zip(self.recording.channels, self.assignment.roles, strict=True):
            wanted = role is not None and (role in used or role.startswith("ECG"))
            if wanted and not math.isclose(channel.sample_rate_hz, self.sample_rate_hz, rel_tol=1e-9):
                others.setdefault(channel.sample_rate_hz, []).append(channel.label)
        resampled = [
            QualityNote(
                code="resampled",
                message=f"Sampled at {rate:g} Hz and brought to the {self.sample_rate_hz:g} Hz of the pressure: "
                + ", ".join(labels)
                + ".",
                channel=", ".join(labels),
                severity="info",
            )
            for rate, labels in others.items()
        ]
        return resampled + about_volumes(self.assignment, self.calibrations, self.start_s)

    def _volumes(
        self, first: int, last: int, *, with_total: bool = True
    ) -> tuple[NDArray[np.float64] | None, NDArray[np.float64] | None]:
        def rows(roles: Iterable[str]) -> NDArray[np.float64] | None:
            return self._rows([role for role in roles if with_total or role != "V_LV"], first, last)

        start_s = self.start_s + first / self.sample_rate_hz
        return read_volumes(rows, self.assignment, self.calibrations, start_s, self.sample_rate_hz)

    def _rows(self, roles: Iterable[str], first: int, last: int) -> NDArray[np.float64] | None:
        present = [role for role in roles if role in self.assignment.roles]
        if not present:
            return None
        table = np.empty((len(present), last - first))
        for row, role in zip(table, present, strict=True):
            self._read_into(row, role, first, last)
        return table

    def _read_into(self, row: NDArray[np.float64], role: str, first: int, last: int) -> None:
        at = self.assignment.roles.index(role)
        info, rate = self.recording.channels[at], self.sample_rate_hz
        start_s, end_s = self.start_s + first / rate, self.start_s + last / rate
        same = math.isclose(info.sample_rate_hz, rate, rel_tol=1e-9)
        margin = 0.0 if same else min(_RESAMPLING_MARGIN_S, start_s - self.start_s)
        # a label with a role is the only one of its kind: two would have been asked about
        (channel,) = self.recording.read(
            start_s - margin,
            None if last >= self.size else end_s + (0.0 if same else _RESAMPLING_MARGIN_S),
            [info.label],
        )
        samples = channel.samples[: row.size] if same else self._on_clock(channel, margin, row.size)
        row[: samples.size] = samples
        row[samples.size :] = np.nan
        factor = self.assignment.factors[at]
        if factor != 1.0:
            row *= factor

    def _on_clock(self, channel: Channel, margin_s: float, size: int) -> NDArray[np.float64]:
        skipped = round(margin_s * self.sample_rate_hz)
        return resample(channel.samples, channel.sample_rate_hz, self.sample_rate_hz, skipped + size)[skipped:]


def stretch_of(signals: FileSignals, span: Span) -> PressureVolumeSignals:
    """The signals between two times of the file's own axis.

    Raises
    ------
    RecordingError
        Where the pressure holds no values there.
    """
    first, last = (round((time_s - signals.start_s) * signals.sample_rate_hz) for time_s in span)
    stretch = signals.stretch(first, last)
    if not np.isfinite(stretch.pressure_mmhg).any():
        raise RecordingError("The left-ventricular pressure channel has no values.")
    return replace(stretch, start_s=max(signals.start_s, span[0]))
