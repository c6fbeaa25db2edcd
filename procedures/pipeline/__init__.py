"""From a recording's file to its beats, epochs and quality notes: joins the readers to the engine.

Free of the web framework, so that a command, a background task and a notebook run the same line.
"""

from .report import AnalysisReport, ReportChannel
from .run import analyse_file

__all__ = ["AnalysisReport", "ReportChannel", "analyse_file"]
