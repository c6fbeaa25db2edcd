"""A worker of the service whose runs take as long as a test likes: ``celery --app tests.ops.slow_worker worker``.

Everything else is the service's own. The lease is shorter than in production only so that the test is.
"""

from __future__ import annotations

import datetime as dt
import os
import time
from pathlib import Path

import django
from django.conf import settings

from config.celery import app

django.setup()

from procedures.models import AnalysisRun  # noqa: E402 - only after the applications are set up
from registry.jobs import Claim, NotOurs, RunKind, claims, register  # noqa: E402

__all__ = ["app"]

# And the clock ticks faster, for the same reason.
settings.SIGN_EVERY_S = 1
for entry in ("sweep-jobs", "ask-for-signs"):
    settings.CELERY_BEAT_SCHEDULE[entry] |= {"schedule": 1.0}
claims.LEASE, claims.BEAT_S = dt.timedelta(seconds=12), 1.0


def work(claim: Claim) -> None:
    """Say who is at it, work in silence until told to go, then write who did it; say whether that was possible."""
    folder = Path(os.environ["TRIBUTARY_TEST_FOLDER"]) / str(claim.key)
    folder.mkdir(exist_ok=True)
    started = folder / f"started-{os.getpid()}"
    started.touch()
    while not (folder / "go").exists():
        time.sleep(0.05)
    try:
        with claim.writing() as row:
            row.algorithm_version = str(os.getpid())
    except NotOurs:
        (folder / f"refused-{os.getpid()}").touch()
        raise
    (folder / f"wrote-{os.getpid()}").touch()


register(
    RunKind(
        "analysis", AnalysisRun, "tests.ops.slow_worker.work", "analyses", "It stopped.", "recording__session__centre"
    )
)
