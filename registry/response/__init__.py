"""Response at follow-up by published definitions. Pure rules: no framework, no database."""

from registry.response.composite import CompositeFacts, clinical_composite
from registry.response.ejection import EjectionState, ejection_response
from registry.response.judgement import Judgement
from registry.response.volumes import LVESV_FALL_PERCENT, WINDOW_DAYS, Response, VolumeState, lvesv_response

__all__ = [
    "LVESV_FALL_PERCENT",
    "WINDOW_DAYS",
    "CompositeFacts",
    "EjectionState",
    "Judgement",
    "Response",
    "VolumeState",
    "clinical_composite",
    "ejection_response",
    "lvesv_response",
]
