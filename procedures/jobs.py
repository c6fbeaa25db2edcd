"""The kinds of background run of this room."""

from __future__ import annotations

from procedures.models import AnalysisRun, ComparisonRun, StoredSignals
from registry.jobs import RunKind, register

register(
    RunKind(
        name="analysis",
        model=AnalysisRun,
        work="procedures.services.analysis.carry_out",
        queue="analyses",
        fault="The analysis stopped because of a program error. The recording is unchanged.",
        centre="recording__session__centre",
    )
)
register(
    RunKind(
        name="signals",
        model=StoredSignals,
        work="procedures.services.stored_signals.carry_out",
        queue="analyses",
        fault="Preparing the recording stopped because of a program error. The file is unharmed.",
        centre="recording__session__centre",
    )
)
register(
    RunKind(
        name="responses",
        model=ComparisonRun,
        work="procedures.services.responses.carry_out",
        queue="comparisons",
        fault="The comparison was not worked out because of a program error. The entries are unharmed.",
        centre="session__centre",
    )
)
