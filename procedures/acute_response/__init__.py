"""Acute response: which site is better than baseline and than the others, and how sure that is.

Pure: NumPy and SciPy in, plain values out.
"""

from procedures.acute_response.agreement import Agreement, agreement
from procedures.acute_response.comparison import compare
from procedures.acute_response.delays import DelayOptimum, delay_optimum
from procedures.acute_response.return_visit import (
    ReturnCheck,
    check_measurement,
    check_response,
)
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
from procedures.acute_response.weighing import Criterion, Fact, Weighing, weigh

__all__ = [
    "Advice",
    "Agreement",
    "BeatEpoch",
    "Comparison",
    "Criterion",
    "DelayOptimum",
    "DriftCurve",
    "Epoch",
    "EpochFit",
    "Fact",
    "ResponseError",
    "ReturnCheck",
    "Settings",
    "SiteEstimate",
    "SummaryEpoch",
    "Weighing",
    "agreement",
    "check_measurement",
    "check_response",
    "compare",
    "delay_optimum",
    "weigh",
]
