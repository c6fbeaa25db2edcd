"""Made-up 12-lead electrocardiograms as files: simulated QRS complexes of a known width, no person behind them."""

from __future__ import annotations

import tempfile
from functools import lru_cache
from pathlib import Path

import numpy as np

from procedures.models import EcgMeasurement, Session, Site
from procedures.recordings import Channel, Signals, write_edf
from procedures.services.ecgs import store_ecg
from tests import factories as make
from tests.procedures.electrocardiogram.simulated import record
from tests.signals import Uploaded

RATE_HZ = 1000.0


@lru_cache(maxsize=8)
def ecg_edf(width_ms: float = 150.0, seed: int = 71) -> bytes:
    """Ten seconds of twelve leads as EDF+; the labels are ECG_I to ECG_V6."""
    return _edf(_channels([(width_ms, seed)]))


@lru_cache(maxsize=4)
def session_edf(widths_ms: tuple[float, ...] = (180.0, 140.0), seed: int = 71) -> bytes:
    """Stretches of 10 s, one a width, under a plain pressure and volume at the same 1000 Hz."""
    channels = _channels([(width, seed + n) for n, width in enumerate(widths_ms)])
    time_s = np.arange(channels[0].samples.size) / RATE_HZ
    phase = (time_s * 1.25) % 1.0
    pressure = 12 + 95 * np.sin(np.pi * np.clip(phase / 0.45, 0, 1)) ** 2
    volume = 180 - 30 * (1 - np.cos(2 * np.pi * np.clip((phase - 0.1) / 0.8, 0, 1)))
    return _edf((Channel("P_LV", "mmHg", RATE_HZ, pressure), Channel("V_LV", "mL", RATE_HZ, volume), *channels))


def stored_ecg(session: Session, site: Site | None = None, width_ms: float = 150.0, seed: int = 71) -> EcgMeasurement:
    """Store a stand-alone electrocardiogram."""
    return store_ecg(
        by=make.writer_of(session.centre),
        session=session,
        site=site,
        upload=Uploaded(ecg_edf(width_ms, seed)),
        original_name=f"ecg-{width_ms:g}.edf",
        taken_at=session.started_at,
    )


def _channels(parts: list[tuple[float, int]]) -> tuple[Channel, ...]:
    made = [record("bells", width, seed) for width, seed in parts]
    return tuple(
        Channel(f"ECG_{name}", "mV", RATE_HZ, np.concatenate([part.leads[name] for part in made]))
        for name in made[0].leads
    )


def _edf(channels: tuple[Channel, ...]) -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "ecg.edf"
        write_edf(path, Signals(channels, (), "EDF+", channels[0].samples.size / RATE_HZ))
        return path.read_bytes()
