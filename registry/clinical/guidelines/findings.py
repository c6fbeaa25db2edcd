"""What is known of a patient before the implant, as the guidelines ask for it."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import Any


@dataclass(frozen=True)
class Known:
    """A value and the day it was assessed; ``value`` is None when nobody recorded it."""

    value: Any = None
    on: date | None = None


@dataclass(frozen=True)
class Findings:
    """The findings that decide; every one may be not known.

    ``rhythm`` and ``morphology`` are the codes of the registry ("sinus", "atrial_fibrillation", "lbbb", "rv_paced" …).
    ``therapy_optimised``: optimal medical therapy for 3 months or longer. ``av_block``: of high degree.
    ``pacing_need``: any lasting need of ventricular pacing, that block among them. ``pacing_percent``: measured or
    expected share of ventricular pacing. ``capture_assured``: a strategy to ensure biventricular capture in atrial
    fibrillation.
    """

    lvef_percent: Known = field(default_factory=Known)
    qrs_ms: Known = field(default_factory=Known)
    morphology: Known = field(default_factory=Known)
    rhythm: Known = field(default_factory=Known)
    nyha: Known = field(default_factory=Known)
    sex: Known = field(default_factory=Known)
    therapy_optimised: Known = field(default_factory=Known)
    av_block: Known = field(default_factory=Known)
    pacing_need: Known = field(default_factory=Known)
    pacing_percent: Known = field(default_factory=Known)
    capture_assured: Known = field(default_factory=Known)
    previous_device: Known = field(default_factory=Known)
