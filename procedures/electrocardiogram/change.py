"""The QRS at a site against the baseline QRS."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .axis import axis_change
from .ecg import ElectrocardiogramError, FloatArray
from .measurement import Measurement


@dataclass(frozen=True)
class QrsChange:
    """Change from baseline; positive means longer, or turned rightward.

    Attributes
    ----------
    duration_ms, duration_sd_ms
        Change of the QRS duration, and its standard deviation from both.
    low_ms, high_ms
        95 % interval of that change (normal).
    axis_degrees
        Turn of the frontal axis, None where one is unknown.
    correlation
        Correlation of the two complexes over all common leads, aligned at the best lag within 40 ms.
    flipped
        Leads whose main deflection changed sign.
    """

    duration_ms: float
    duration_sd_ms: float
    low_ms: float
    high_ms: float
    axis_degrees: float | None
    correlation: float
    flipped: tuple[str, ...]


def change_from_baseline(site: Measurement, baseline: Measurement) -> QrsChange:
    """Compare two measured average beats.

    Parameters
    ----------
    site, baseline
        The two measurements.

    Returns
    -------
    QrsChange
        Site minus baseline.

    Raises
    ------
    ElectrocardiogramError
        Where they have no lead in common.
    """
    common = [name for name in site.leads if name in baseline.leads]
    if not common:
        raise ElectrocardiogramError("The two electrocardiograms have no lead in common.")
    duration = site.qrs_duration_ms - baseline.qrs_duration_ms
    sd = float(np.hypot(site.qrs_duration_sd_ms, baseline.qrs_duration_sd_ms))
    turned = (
        None
        if site.axis_degrees is None or baseline.axis_degrees is None
        else axis_change(baseline.axis_degrees, site.axis_degrees)
    )
    signs = {name: (baseline.leads[name].polarity, site.leads[name].polarity) for name in common}
    return QrsChange(
        duration_ms=duration,
        duration_sd_ms=sd,
        low_ms=duration - 1.96 * sd,
        high_ms=duration + 1.96 * sd,
        axis_degrees=turned,
        correlation=_correlation(site, baseline, common),
        flipped=tuple(name for name, (was, now) in signs.items() if was and now and was != now),
    )


def _correlation(site: Measurement, baseline: Measurement, names: list[str]) -> float:
    """Largest correlation over lags of the QRS windows, sampled at 1 kHz from onset to the later offset."""
    length = max(site.qrs_duration_ms, baseline.qrs_duration_ms)
    clock = np.arange(0.0, length + 1.0)
    lags = np.arange(-40.0, 41.0, 2.0)

    def window(of: Measurement, shift: float) -> FloatArray:
        at = of.onset_ms + clock + shift
        axis = np.arange(of.beat.samples_mv.shape[1]) / of.sample_rate_hz * 1000
        rows = [of.beat.samples_mv[of.lead_names.index(name)] for name in names]
        start = of.onset_ms
        return np.concatenate([np.interp(at, axis, row) - np.interp(start, axis, row) for row in rows])

    fixed = window(baseline, 0.0)
    moved = np.stack([window(site, float(lag)) for lag in lags])
    norms = np.linalg.norm(moved, axis=1) * np.linalg.norm(fixed) + 1e-12
    return float(np.max(moved @ fixed / norms))
