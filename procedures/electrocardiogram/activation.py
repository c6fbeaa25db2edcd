"""Activation intervals from marker times, typed or set with calipers on the trace."""

from __future__ import annotations

import math
from dataclasses import dataclass

from .ecg import ElectrocardiogramError

LATE_QLV_MS = 95.0  # the cohort's median (Gold et al., Eur Heart J 2011;32:2516, from memory)
LATE_QLV_SHARE = 0.5  # 0.5 to 0.7 of the QRS used by others (from memory)
LATE_RV_LV_MS = 80.0  # 80 to 100 ms, or more than 67 ms, used as late (from memory)
_LONGEST_MS = 400.0


@dataclass(frozen=True)
class Activation:
    """Intervals, ms; None where a marker is missing.

    Attributes
    ----------
    qlv_ms, qlv_share
        QRS onset to the first large peak of the left ventricular electrogram (Gold 2011), and its share of the QRS.
    rv_lv_ms
        Right to left ventricular electrogram.
    latency_ms
        Stimulus to QRS onset.
    """

    qlv_ms: float | None
    qlv_share: float | None
    rv_lv_ms: float | None
    latency_ms: float | None

    @property
    def late_qlv(self) -> bool | None:
        """QLV of at least 95 ms."""
        return None if self.qlv_ms is None else self.qlv_ms >= LATE_QLV_MS

    @property
    def late_rv_lv(self) -> bool | None:
        """RV-LV interval of at least 80 ms."""
        return None if self.rv_lv_ms is None else self.rv_lv_ms >= LATE_RV_LV_MS


def activation(
    *,
    qrs_onset_ms: float | None = None,
    qrs_duration_ms: float | None = None,
    lv_ms: float | None = None,
    rv_ms: float | None = None,
    stimulus_ms: float | None = None,
) -> Activation:
    """Intervals between markers of one beat, all on one clock, ms.

    Parameters
    ----------
    qrs_onset_ms, lv_ms, rv_ms, stimulus_ms
        QRS onset, first large peak of the left ventricular electrogram, right ventricular electrogram (or its
        stimulus, for the paced interval), stimulus.
    qrs_duration_ms
        For the share of the QRS.

    Raises
    ------
    ElectrocardiogramError
        Where a marker is not a number, two lie farther apart than one beat allows, the QRS duration is not above
        zero, or the stimulus comes after a QRS onset that it is said to cause.
    """
    given = {"QRS onset": qrs_onset_ms, "LV electrogram": lv_ms, "RV electrogram": rv_ms, "stimulus": stimulus_ms}
    for name, value in given.items():
        if value is not None and not math.isfinite(value):
            raise ElectrocardiogramError(f"The time of the {name} is not a number.")
    if qrs_duration_ms is not None and not (math.isfinite(qrs_duration_ms) and qrs_duration_ms > 0):
        raise ElectrocardiogramError("The QRS duration must be above zero.")
    qlv = _between("QRS onset", qrs_onset_ms, "LV electrogram", lv_ms)
    latency = _between("stimulus", stimulus_ms, "QRS onset", qrs_onset_ms)
    if latency is not None and latency < 0:
        raise ElectrocardiogramError("The QRS onset lies before the stimulus: that beat was not started by it.")
    return Activation(
        qlv_ms=qlv,
        qlv_share=qlv / qrs_duration_ms if qlv is not None and qrs_duration_ms else None,
        rv_lv_ms=_between("RV electrogram", rv_ms, "LV electrogram", lv_ms),
        latency_ms=latency,
    )


def _between(first: str, start: float | None, second: str, end: float | None) -> float | None:
    if start is None or end is None:
        return None
    if abs(end - start) > _LONGEST_MS:
        raise ElectrocardiogramError(
            f"{first} and {second} lie {abs(end - start):g} ms apart, more than one beat allows ({_LONGEST_MS:g} ms)."
        )
    return end - start
