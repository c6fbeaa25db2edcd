"""Indication for CRT by two published guidelines: which rows a patient's findings meet. Never blocks anything."""

from registry.clinical.guidelines.esc_2021 import ESC_2021
from registry.clinical.guidelines.findings import Findings, Known
from registry.clinical.guidelines.hrs_2023 import HRS_2023
from registry.clinical.guidelines.table import Guideline, Indication, Judged, classify

GUIDELINES: tuple[Guideline, ...] = (ESC_2021, HRS_2023)

__all__ = ["GUIDELINES", "Findings", "Guideline", "Indication", "Judged", "Known", "classify"]
