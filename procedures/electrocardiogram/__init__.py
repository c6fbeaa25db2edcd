"""From the 12-lead electrocardiogram to QRS duration and morphology. Pure: arrays in, arrays out."""

from .axis import axis_change, axis_word, frontal_axis
from .capture import Capture, Suspicion, capture_by_ratio, capture_lost, capture_with_q, fusion, morphology
from .change import QrsChange, change_from_baseline
from .conduction import Clause, Criteria, aha_2009_lbbb, esc_2013_lbbb, strict_lbbb
from .delineation import Boundary, Delineation, delineate
from .delineation_settings import DelineationSettings
from .ecg import LEADS, Electrocardiogram, ElectrocardiogramError, electrocardiogram
from .measurement import ALGORITHM_VERSION, Measurement, Stimulus, measure
from .position import PositionFinding, position_findings
from .strength_duration import (
    StrengthDuration,
    fit_strength_duration,
    phrenic_ratio,
    pulse_energy_uj,
    safety_margin,
    safety_margin_at,
)
from .waves import LeadQrs

__all__ = [
    "ALGORITHM_VERSION",
    "LEADS",
    "Boundary",
    "Capture",
    "Clause",
    "Criteria",
    "Delineation",
    "DelineationSettings",
    "Electrocardiogram",
    "ElectrocardiogramError",
    "LeadQrs",
    "Measurement",
    "PositionFinding",
    "QrsChange",
    "Stimulus",
    "StrengthDuration",
    "Suspicion",
    "aha_2009_lbbb",
    "axis_change",
    "axis_word",
    "capture_by_ratio",
    "capture_lost",
    "capture_with_q",
    "change_from_baseline",
    "delineate",
    "electrocardiogram",
    "esc_2013_lbbb",
    "fit_strength_duration",
    "frontal_axis",
    "fusion",
    "measure",
    "morphology",
    "phrenic_ratio",
    "position_findings",
    "pulse_energy_uj",
    "safety_margin",
    "safety_margin_at",
    "strict_lbbb",
]
