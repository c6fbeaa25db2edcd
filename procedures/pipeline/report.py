"""The outcome of analysing a recording, and its form as plain values for JSON."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from procedures.haemodynamics import (
        Analysis,
        BeatTable,
        EpochSummary,
        QualityNote,
        SignalSource,
    )
    from procedures.haemodynamics.conditioning.calibration import Calibration


@dataclass(frozen=True)
class ReportChannel:
    """A channel of the file and the role it was given, or None."""

    label: str
    role: str | None
    unit: str
    sample_rate_hz: float


@dataclass(frozen=True)
class AnalysisReport:
    """A recording's identity and channels, and what the engine found. ``quality`` is of readers and engine.

    ``signals`` reads what the engine saw, for drawing loops.
    """

    sha256: str
    format: str
    duration_s: float
    started_at: datetime | None
    channels: tuple[ReportChannel, ...]
    analysis: Analysis
    quality: tuple[QualityNote, ...]
    signals: SignalSource
    calibrations: tuple[Calibration, ...] = ()

    def settings(self) -> dict[str, Any]:
        """Every choice that made the numbers, with the calibrations of the volumes, as plain values."""
        settings: dict[str, Any] = asdict(self.analysis.settings)
        if self.calibrations:
            ordered = sorted(self.calibrations, key=lambda calibration: calibration.valid_from_s)
            settings["calibrations"] = [
                asdict(c) | {"valid_from_s": _finite(c.valid_from_s), "excluded": list(c.excluded)} for c in ordered
            ]
        return settings

    def as_dict(self, *, beats: bool = False) -> dict[str, Any]:
        """Plain values, without NaN: a metric that could not be computed is absent."""
        analysis = self.analysis
        result: dict[str, Any] = {
            "file": {
                "sha256": self.sha256,
                "format": self.format,
                "duration_s": self.duration_s,
                "channels": [asdict(channel) for channel in self.channels],
            },
            "algorithm": {"version": analysis.version, "settings": self.settings()},
            "epochs": [_epoch(epoch) for epoch in analysis.epochs],
            "quality": [asdict(note) for note in self.quality],
        }
        if beats:
            result["beats"] = _beats(analysis.beats, [epoch.label for epoch in analysis.epochs])
        return result


def _epoch(epoch: EpochSummary) -> dict[str, Any]:
    return {
        "label": epoch.label,
        "start_s": epoch.start_s,
        "end_s": epoch.end_s,
        "beats_used": epoch.beats_used,
        "beats_refused": dict(epoch.beats_refused),
        "rhythm": epoch.rhythm.kind,
        "rhythm_remark": epoch.rhythm.remark,
        "rhythm_limits": epoch.rhythm.limits,
        "metrics": {
            key: {name: _finite(value) for name, value in asdict(summary).items()}
            for key, summary in epoch.metrics.items()
            if math.isfinite(summary.mean)
        },
    }


def _beats(table: BeatTable, labels: list[str]) -> list[dict[str, Any]]:
    columns = {key: np.asarray(values, dtype=float).tolist() for key, values in table.metrics.items()}
    return [
        {
            "epoch": labels[epoch] if epoch >= 0 else None,
            "time_s": time,
            "end_s": _finite(end),
            "refused": reason or None,
            "metrics": {key: column[i] for key, column in columns.items() if math.isfinite(column[i])},
        }
        for i, (time, end, epoch, reason) in enumerate(
            zip(
                table.time_s.tolist(),
                table.end_s.tolist(),
                table.epoch.tolist(),
                np.asarray(table.refused).tolist(),
                strict=True,
            )
        )
    ]


def _finite(value: float | int) -> float | int | None:
    return value if math.isfinite(value) else None
