"""Runs for the tests of the machinery: kept as analyses are, carried out by functions of the test."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any
from unittest.mock import patch

from django.utils import timezone

from procedures.models import AnalysisRun, Recording
from registry.jobs import RUN_KINDS, Claim, RunKind
from registry.models import RunState, new_key
from tests.factories import START, make_session, writer_of

NAME = "analysis"
LONG_AGO = timezone.now() - dt.timedelta(hours=1)


def make_run(**values: Any) -> AnalysisRun:
    """Return a waiting run of a recording that no test reads."""
    session = make_session()
    recording = Recording.objects.create(
        session=session, sha256=new_key().hex * 2, file="none", original_name="none.csv", format="CSV", size_bytes=1,
        duration_s=60, started_at=START, uploaded_by=writer_of(session.centre),
    )  # fmt: skip
    return AnalysisRun.objects.create(recording=recording, **values)


def left_behind(**values: Any) -> dict[str, Any]:
    """Return the values of a run whose worker has given no sign for a long time."""
    return {"state": RunState.RUNNING, "token": new_key(), "lease_until": LONG_AGO, "attempts": 1} | values


@contextmanager
def work_is(work: Callable[[Claim], None]) -> Iterator[None]:
    """Let runs be carried out by this function."""
    with patch.object(RunKind, "load", lambda _: work):
        yield


def kind() -> RunKind:
    return RUN_KINDS[NAME]


def stored(run: AnalysisRun) -> AnalysisRun:
    return AnalysisRun.objects.get(pk=run.pk)
