"""Acute response: which site is better than baseline and than the others, and how sure that is.

Pure: NumPy and SciPy in, plain values out.
"""

from procedures.acute_response.comparison import compare
from procedures.acute_response.settings import Settings
from procedures.acute_response.values import (
    Advice,
    BeatEpoch,
    Comparison,
    DriftCurve,
    Epoch,
    EpochFit,
    ResponseError,
    SiteEstimate,
    SummaryEpoch,
)

__all__ = [
    "Advice",
    "BeatEpoch",
    "Comparison",
    "DriftCurve",
    "Epoch",
    "EpochFit",
    "ResponseError",
    "Settings",
    "SiteEstimate",
    "SummaryEpoch",
    "compare",
]
