"""A multi-lead electrocardiogram as the package takes it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

LEADS = ("I", "II", "III", "aVR", "aVL", "aVF", "V1", "V2", "V3", "V4", "V5", "V6")
LOWEST_RATE_HZ = 200.0
SHORTEST_S = 1.5


class ElectrocardiogramError(ValueError):
    """Input that cannot be measured; the message is for the user."""


@dataclass(frozen=True, eq=False)
class Electrocardiogram:
    """Leads on one clock.

    Attributes
    ----------
    sample_rate_hz
        Samples per second.
    leads
        Names, in the order of ``LEADS``.
    samples_mv : (n_leads, n) float64
        Potentials, mV; NaN where the signal was lost.
    derived
        Leads that were computed from two limb leads and not recorded.
    left_out
        Leads that carry no signal (flat, or lost for most of the time).
    """

    sample_rate_hz: float
    leads: tuple[str, ...]
    samples_mv: FloatArray
    derived: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()

    @property
    def independent(self) -> IntArray:
        """Rows that span all leads: two limb leads at most (the other four follow from them), and the chest leads."""
        limb = [i for i, name in enumerate(self.leads) if not name.startswith("V")]
        recorded = [i for i in limb if self.leads[i] not in self.derived]
        chest = [i for i, name in enumerate(self.leads) if name.startswith("V")]
        return np.array(sorted(recorded[:2] + chest), dtype=np.int64)


def electrocardiogram(leads_mv: Mapping[str, FloatArray], sample_rate_hz: float) -> Electrocardiogram:
    """Check the leads and derive the limb leads that follow from two others.

    III = II − I (Einthoven 1913); aVR = −(I + II)/2, aVL = I − II/2, aVF = II − I/2 (Goldberger 1942).

    Parameters
    ----------
    leads_mv
        Samples in mV by lead name (``LEADS``), all of one length; NaN where the signal was lost.
    sample_rate_hz
        At least 200 Hz: below, onset and offset of the QRS are not resolved.

    Returns
    -------
    Electrocardiogram
        Leads of shape (n_leads, n) in the order of ``LEADS``; NaN is kept where the signal was lost, and a lead lost
        for most of the time is left out.

    Raises
    ------
    ElectrocardiogramError
        Where a name is unknown, lengths differ, the rate is too low, or nothing usable is left.

    References
    ----------
    Einthoven 1913 and Goldberger 1942 (from memory).
    """
    if not (np.isfinite(sample_rate_hz) and sample_rate_hz >= LOWEST_RATE_HZ):
        raise ElectrocardiogramError(
            f"The ECG is sampled at {sample_rate_hz:g} Hz; at least {LOWEST_RATE_HZ:g} Hz are needed."
        )
    if unknown := [name for name in leads_mv if name not in LEADS]:
        raise ElectrocardiogramError(f"'{unknown[0]}' is not one of the twelve leads.")
    arrays = {name: np.asarray(leads_mv[name], dtype=np.float64) for name in LEADS if name in leads_mv}
    if len({a.shape for a in arrays.values()}) > 1 or any(a.ndim != 1 for a in arrays.values()):
        raise ElectrocardiogramError("The leads differ in length.")
    left_out = tuple(name for name, samples in arrays.items() if not _carries_signal(samples))
    usable = {name: samples for name, samples in arrays.items() if name not in left_out}
    if not usable:
        raise ElectrocardiogramError("No lead of the ECG has a signal.")
    size = next(iter(usable.values())).size
    if size < SHORTEST_S * sample_rate_hz:
        raise ElectrocardiogramError(
            f"The ECG lasts {size / sample_rate_hz:.2f} s; at least {SHORTEST_S:g} s are needed."
        )
    derived = _derive(usable)
    names = tuple(name for name in LEADS if name in usable)
    return Electrocardiogram(
        float(sample_rate_hz), names, np.stack([usable[name] for name in names]), derived, left_out
    )


def _carries_signal(samples: FloatArray) -> bool:
    held = samples[np.isfinite(samples)]
    return bool(held.size > samples.size / 2 and np.ptp(held) > 1e-4)


def _derive(leads: dict[str, FloatArray]) -> tuple[str, ...]:
    """Add the limb leads that follow from two of I, II and III; return their names."""
    held = {name for name in ("I", "II", "III") if name in leads}
    if len(held) < 2:
        return ()
    one = leads["I"] if "I" in held else leads["II"] - leads["III"]
    two = leads["II"] if "II" in held else leads["I"] + leads["III"]
    limb = {"I": one, "II": two, "III": two - one, "aVR": -(one + two) / 2, "aVL": one - two / 2, "aVF": two - one / 2}
    added = tuple(name for name in limb if name not in leads)
    leads.update({name: limb[name] for name in added})
    return added
