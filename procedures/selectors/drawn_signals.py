"""What the figure of a recording draws: pressure, volume and one lead between two times, thinned for the screen."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from procedures.models import Recording
from procedures.recordings import Channel, decimate
from procedures.recordings.reading import Recording as Opened
from procedures.recordings.stored import StoredRecording
from procedures.selectors.signals import opened

# Longest stretch read at a time where there is no overview, s.
MOST_READ_S = 300.0


@dataclass(frozen=True)
class Envelope:
    """A signal as drawn: the lowest and highest value of each stretch; ``thinned``: of many samples."""

    unit: str
    times: NDArray[np.float64]
    lows: NDArray[np.float64]
    highs: NDArray[np.float64]
    thinned: bool


def drawn_signals(recording: Recording, start_s: float, end_s: float, points: int) -> list[tuple[str, Envelope]]:
    """Return what is drawn, from top to bottom: pressure, total or summed volume, one ECG lead; empty where unknown.

    Raises
    ------
    RecordingError
        When the signals cannot be read, or not yet.
    """
    by_role = {channel["role"]: channel["label"] for channel in recording.channels if channel.get("role")}
    segments, conductances = sums_of(recording)
    ecg = [label for role, label in by_role.items() if role.startswith("ECG")][:1]
    choices = [("Pressure", [by_role[role] for role in ("P_LV",) if role in by_role])]
    # The trace shows the file; what calibrations make of it is in the loops and the numbers.
    volume = "Volume, uncorrected" if recording.calibrations.exists() else "Volume"
    choices.append((volume, [by_role["V_LV"]] if "V_LV" in by_role else segments))
    if "V_LV" not in by_role and not segments:
        choices.append(("Conductance", conductances))
    choices.append(("ECG", ecg))
    wanted = [(name, labels) for name, labels in choices if labels]
    if not wanted:
        return []
    source = opened(recording)
    return [(name, envelope(source, labels, start_s, end_s, points)) for name, labels in wanted]


def sums_of(recording: Recording) -> tuple[list[str], list[str]]:
    """Return the labels of the volumes, and of the conductances, that are drawn as their sum."""
    by_role = sorted((channel["role"], channel["label"]) for channel in recording.channels if channel.get("role"))
    volumes = [label for role, label in by_role if role.startswith("V_") and role != "V_LV"]
    return volumes, [label for role, label in by_role if role.startswith("G_")]


def envelope(source: Opened, labels: list[str], start_s: float, end_s: float, points: int) -> Envelope:
    """Return the lowest and highest value of each stretch, from the overview or from the samples, whichever is less."""
    # Two drawn points, the lowest and the highest, stand for each stretch.
    stretches = max(1, points // 2)
    if isinstance(source, StoredRecording) and (found := source.overview(labels, start_s, end_s, stretches)):
        unit = next(channel.unit for channel in source.channels if channel.label == labels[0])
        return Envelope(unit, found.times, found.lows, found.highs, thinned=True)
    span = (end_s - start_s) / stretches
    together = stretches if end_s - start_s <= MOST_READ_S else max(1, int(MOST_READ_S / span))
    times, lows, highs = [], [], []
    for first in range(0, stretches, together):
        count = min(together, stretches - first)
        begin = start_s + first * span
        channel = _sum(list(source.read(begin, begin + count * span, labels)))
        part = decimate(channel.samples, channel.sample_rate_hz, 0.0, count * span, count)
        times.append(part[0] + begin)
        lows.append(part[1])
        highs.append(part[2])
    drawn = np.concatenate(times), np.concatenate(lows), np.concatenate(highs)
    return Envelope(channel.unit, *drawn, thinned=(end_s - start_s) * channel.sample_rate_hz > stretches)


def _sum(channels: list[Channel]) -> Channel:
    first = channels[0]
    if len(channels) == 1:
        return first
    alike = [c.samples for c in channels if c.samples.size == first.samples.size]
    label = f"sum of {len(alike)} segments"
    return Channel(label, first.unit, first.sample_rate_hz, np.sum(alike, axis=0))
