"""A plain made-up recording as CSV text: smooth pressure and volume, no physiology claimed."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

RATE_HZ = 250


def pressure_volume_csv(seconds: float = 60.0, change_at_s: float | None = None, factor: float = 1.1) -> bytes:
    """Return ``P_LV`` and ``V_LV`` at 75 beats a minute; from ``change_at_s`` on the pressure rise is scaled."""
    time_s = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    phase = (time_s * 1.25) % 1.0
    systole = np.clip(phase / 0.45, 0, 1)
    scale = np.where(time_s >= change_at_s, factor, 1.0) if change_at_s is not None else np.ones_like(time_s)
    pressure = 12 + 95 * scale * np.sin(np.pi * systole) ** 2
    volume = 180 - 30 * (1 - np.cos(2 * np.pi * np.clip((phase - 0.1) / 0.8, 0, 1)))
    rows = [f"{t:.3f},{p:.3f},{v:.3f}" for t, p, v in zip(time_s, pressure, volume, strict=True)]
    return "\n".join(["time_s,P_LV [mmHg],V_LV [mL]", *rows, ""]).encode()


@dataclass(frozen=True)
class Uploaded:
    """Bytes handed over as an upload."""

    content: bytes

    def chunks(self) -> Iterable[bytes]:
        half = len(self.content) // 2
        return [self.content[:half], self.content[half:]]


def write(path: Path, content: bytes) -> Path:
    """Write and return the path."""
    path.write_bytes(content)
    return path
