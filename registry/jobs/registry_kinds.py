"""The kinds of background run of the registry."""

from __future__ import annotations

from registry.jobs.run_kinds import RunKind, register
from registry.models import ImportRun

register(
    RunKind(
        name="import",
        model=ImportRun,
        work="registry.services.import_running.carry_out",
        queue="imports",
        fault="The import stopped because of a program error. Nothing was saved.",
        centre="table_import__centre",
    )
)
