"""Left ventricular capture from the paced QRS: the published steps, and what speaks of fusion or of lost capture."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from .change import QrsChange
from .waves import LeadQrs

Verdict = Literal["captured", "lost"]
# How alike a paced QRS must be to the baseline's before the stimulus is thought to have changed nothing, and how
# alike before fusion is thought of (common practice to look for it, no source for the figures).
SAME_QRS, SIMILAR_QRS = 0.97, 0.90


@dataclass(frozen=True)
class CaptureStep:
    """One question of the algorithm; ``met`` None where it cannot be answered or was not reached."""

    text: str
    met: bool | None
    value: float | str | None


@dataclass(frozen=True)
class Capture:
    """The verdict of an algorithm, with its steps and source; None where a step cannot be answered."""

    verdict: Verdict | None
    steps: tuple[CaptureStep, ...]
    source: str
    remark: str = ""


@dataclass(frozen=True)
class Suspicion:
    """Whether something is suspected, and why; None where there was nothing to judge by."""

    suspected: bool | None
    reasons: tuple[str, ...]


def capture_by_ratio(v1: LeadQrs | None, lead_i: LeadQrs | None) -> Capture:
    """Loss of left ventricular capture under biventricular pacing (Ammann et al., Ann Intern Med 2005;142:968).

    R/S in V1 at least 1: captured. Else R/S in I <= 1: captured; otherwise lost. Found with native left bundle branch
    block and an apical right ventricular lead; sensitivity 94 %, specificity 93 % for loss.
    A ratio with an R and no S is infinite (>= 1); with neither it cannot be judged.

    Parameters
    ----------
    v1, lead_i
        The QRS in V1 and in I; None where the lead is missing.

    Returns
    -------
    Capture
        ``captured`` or ``lost`` with its steps; the verdict is None where a step that matters cannot be answered.
    """
    first, second = _ratio(v1), _ratio(lead_i)
    met_first = None if first is None else first >= 1
    met_second = None if second is None else second <= 1
    verdict: Verdict | None = None
    if met_first:
        verdict = "captured"
    elif met_first is False and met_second is not None:
        verdict = "captured" if met_second else "lost"
    return Capture(
        verdict,
        (
            CaptureStep("R/S in V1 at least 1: captured", met_first, first),
            CaptureStep("R/S in I at most 1: captured, otherwise lost", None if met_first else met_second, second),
        ),
        "Ammann et al., Ann Intern Med 2005;142:968",
        "Assumes native left bundle branch block and an apical right ventricular lead.",
    )


def capture_with_q(v1: LeadQrs | None, lead_i: LeadQrs | None) -> Capture:
    """The same, asking first for a q, Q or QS in lead I (Cao et al., J Cardiovasc Electrophysiol 2015).

    Accuracy 78.9 % against 69.1 % of the steps alone (422 electrocardiograms of 53 patients). The place of the
    added step, before the other two, is from memory.

    Parameters
    ----------
    v1, lead_i
        The QRS in V1 and in I; None where the lead is missing.

    Returns
    -------
    Capture
        As :func:`capture_by_ratio`, with the added step first.
    """
    q = None if lead_i is None else lead_i.initial_negative
    rest = capture_by_ratio(v1, lead_i)
    step = CaptureStep("q, Q or QS in I: captured", q, None if lead_i is None else lead_i.pattern or None)
    return Capture(
        "captured" if q else rest.verdict if q is False else None,
        (step, *rest.steps),
        "Cao et al., J Cardiovasc Electrophysiol 2015",
        "Right ventricular pacing alone gave a q in I or an R in V1 in 22 of 40 (Cooper et al., Pacing Clin "
        "Electrophysiol 2014).",
    )


def fusion(
    latency_ms: float | None, onset_sd_ms: float, same_as_baseline: QrsChange | None, baseline_paced: bool
) -> Suspicion:
    """Whether the paced QRS may be fused with intrinsic conduction.

    Parameters
    ----------
    latency_ms
        From the first ventricular stimulus to the QRS onset; negative where the QRS began first. None: not paced.
    onset_sd_ms
        Standard deviation of the QRS onset.
    same_as_baseline
        Comparison with the baseline electrocardiogram, or None.
    baseline_paced
        A paced baseline says nothing of intrinsic conduction.

    Returns
    -------
    Suspicion
        With its reasons; None where the beat was not paced. NaN in either time gives no reason.

    Notes
    -----
    That a QRS begins before the stimulus by two SDs, or resembles the intrinsic one, speaks for fusion: for the figures
    common practice, no source.
    """
    if latency_ms is None:
        return Suspicion(None, ())
    reasons = []
    if latency_ms < -2 * onset_sd_ms:
        reasons.append(f"The QRS began {-latency_ms:.0f} ms before the stimulus.")
    if same_as_baseline is not None and not baseline_paced:
        alike = same_as_baseline.correlation
        if SIMILAR_QRS <= alike < SAME_QRS:
            reasons.append(f"The QRS resembles the intrinsic one of the baseline (correlation {alike:.2f}).")
    return Suspicion(bool(reasons), tuple(reasons))


def capture_lost(
    capture: Capture | None, paced: bool, same_as_baseline: QrsChange | None, baseline_paced: bool
) -> Suspicion:
    """Whether capture may be lost: by the steps (None: not asked), or as the QRS is that of the unpaced baseline.

    Parameters
    ----------
    capture
        Verdict of the published steps; None: not asked.
    paced
        Whether the beat was paced in the ventricle.
    same_as_baseline
        Comparison with the baseline electrocardiogram, or None.
    baseline_paced
        A paced baseline says nothing of lost capture.

    Returns
    -------
    Suspicion
        With its reasons; None where there was nothing to judge by.
    """
    if not paced:
        return Suspicion(None, ())
    reasons = []
    if capture is not None and capture.verdict == "lost":
        reasons.append(f"By the algorithm of {capture.source}.")
    if same_as_baseline is not None and not baseline_paced and same_as_baseline.correlation >= SAME_QRS:
        reasons.append(
            f"The QRS is that of the unpaced baseline (correlation {same_as_baseline.correlation:.2f}): "
            "no capture, or a stimulus that came after intrinsic conduction."
        )
    known = (capture is not None and capture.verdict is not None) or same_as_baseline is not None
    return Suspicion(bool(reasons) if known else None, tuple(reasons))


def _r_s_word(lead: LeadQrs | None) -> str:
    """``>= 1``, ``< 1`` or ``not assessable``."""
    ratio = _ratio(lead)
    return "not assessable" if ratio is None else ">= 1" if ratio >= 1 else "< 1"


def morphology(leads: Mapping[str, LeadQrs]) -> dict[str, str | float | bool | None]:
    """Q or qR in I, and R/S in I, V1 and V2 (None where infinite or not assessable; the word tells which).

    Parameters
    ----------
    leads
        The QRS of each lead; I, V1 and V2 are read.

    Returns
    -------
    dict
        By ``pattern_``, ``r_s_`` and ``r_s_word_`` with the lead's name, and ``q_in_I``.
    """
    found: dict[str, str | float | bool | None] = {}
    for name in ("I", "V1", "V2"):
        lead = leads.get(name)
        ratio = _ratio(lead)
        found[f"pattern_{name}"] = None if lead is None else lead.pattern or None
        found[f"r_s_{name}"] = ratio if ratio is not None and math.isfinite(ratio) else None
        found[f"r_s_word_{name}"] = _r_s_word(lead)
    lead_i = leads.get("I")
    found["q_in_I"] = None if lead_i is None else lead_i.initial_negative
    return found


def _ratio(lead: LeadQrs | None) -> float | None:
    return None if lead is None else lead.r_s_ratio
