"""A plain made-up recording as CSV text: smooth pressure and volume, no physiology claimed."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from procedures.models import Recording, StoredSignals
from registry import jobs

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


def conductance_csv(seconds: float = 40.0, alpha: float = 0.8, parallel_ml: float = 60.0) -> bytes:
    """Return ``P_LV`` and five conductances of the same ventricle (180 to 120 mL), 10 mm and 150 ohm cm.

    From 20 to 30 s a bolus of saline makes the blood conduct a fifth better: one
    conductivity from the filling of a beat to the end of its ejection.
    """
    rows = pressure_volume_csv(seconds).decode().splitlines()[1:]
    time_s, pressure, volume = np.array([row.split(",") for row in rows], dtype=float).T
    gain = 1 + 0.2 * np.interp(0.8 * np.floor(time_s / 0.8 + 0.3), [20, 30, 36], [0, 1, 0])
    total_ms = 1000 * (alpha * gain * volume + parallel_ml) / 150
    shares = np.array([0.14, 0.20, 0.24, 0.23, 0.19])
    table = np.column_stack((time_s, pressure, total_ms[:, None] * shares))
    lines = [f"{row[0]:.3f}," + ",".join(f"{value:.4f}" for value in row[1:]) for row in table]
    return "\n".join(["time_s,P_LV [mmHg]," + ",".join(f"G_{n} [mS]" for n in range(1, 6)), *lines, ""]).encode()


@dataclass(frozen=True)
class Uploaded:
    """Bytes handed over as an upload."""

    content: bytes

    def chunks(self) -> Iterable[bytes]:
        half = len(self.content) // 2
        return [self.content[:half], self.content[half:]]


def read_now(recording: Recording) -> None:
    """Have the file of a recording read that was received only, as a worker does."""
    jobs.carry_out("signals", StoredSignals.objects.get(recording=recording).pk)
    recording.refresh_from_db()


def write(path: Path, content: bytes) -> Path:
    """Write and return the path."""
    path.write_bytes(content)
    return path
