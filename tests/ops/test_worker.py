"""A real worker on a real queue: it takes what the web process queued, and what another worker left behind."""

from __future__ import annotations

import datetime as dt
import re
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from django.conf import settings
from django.db import connection
from django.utils import timezone

from procedures.models import AnalysisRun, EpochMetric, Origin, Recording, RunState, Session
from procedures.services.recordings import mark_epoch, store_recording
from registry.models import User, new_key
from tests.factories import START, make_session, make_site, make_tributary, writer_of
from tests.ops.processes import Running, environment, run, running, wait_for
from tests.signals import Uploaded, pressure_volume_csv

pytestmark = [pytest.mark.slow, pytest.mark.django_db(transaction=True)]


def database_url() -> str:
    """Return the address of the database this test writes to."""
    name = connection.settings_dict["NAME"]
    if connection.vendor == "sqlite":
        return f"sqlite:///{name}"
    return re.sub(r"/[^/]*$", f"/{name}", settings.DATABASE_URL)


@pytest.fixture
def env(transactional_db: None, queue_url: str) -> dict[str, str]:
    """Return the environment of the web and the worker process."""
    return environment(DATABASE_URL=database_url(), CELERY_BROKER_URL=queue_url)


@pytest.fixture
def worker(env: dict[str, str], tmp_path: Path) -> Iterator[Running]:
    """Start a worker as production does, but for one process instead of two."""
    words = ["celery", "--app", "config", "worker", "--concurrency", "1", "--loglevel", "INFO"]
    with running(words, env, tmp_path / "worker.log", lambda worker: " ready." in worker.said()) as worker:
        yield worker


def marked_recording() -> tuple[User, Recording]:
    """Store a recording with a baseline and a site marked in it."""
    session: Session = make_session(started_at=START)
    site, by = make_site(make_tributary(session)), writer_of(session.centre)
    recording = store_recording(
        by=by,
        session=session,
        upload=Uploaded(pressure_volume_csv(60, change_at_s=30)),
        original_name="case.csv",
        started_at=START,
    )
    mark_epoch(by=by, recording=recording, site=None, start_s=1, end_s=29)
    mark_epoch(by=by, recording=recording, site=site, start_s=31, end_s=59)
    return by, recording


def queue_analysis(env: dict[str, str], by: User, recording: Recording) -> None:
    """Do in a process of its own what the web process does when somebody presses the button."""
    run(
        [
            sys.executable,
            "manage.py",
            "shell",
            "--verbosity",
            "0",
            "--command",
            "from procedures.models import Recording; from procedures.services.analysis import start_analysis; "
            "from registry.models import User; "
            f"start_analysis(by=User.objects.get(pk='{by.pk}'), recording=Recording.objects.get(pk='{recording.pk}'))",
        ],
        env,
    )


def test_worker_analyses_what_the_web_process_queued(env: dict[str, str], worker: Running) -> None:
    by, recording = marked_recording()
    queue_analysis(env, by, recording)
    wait_for(
        lambda: recording.runs.filter(state__in=(RunState.DONE, RunState.FAILED)).exists() or not worker.alive(),
        "the analysis",
    )
    analysed: AnalysisRun = recording.runs.get()
    assert analysed.state == RunState.DONE, f"{analysed.failure}\n{worker.said()}"
    assert analysed.attempts == 1
    metrics = EpochMetric.objects.filter(run=analysed, origin=Origin.COMPUTED, key="p_max_mmhg")
    peaks = {metric.epoch.label: metric.mean for metric in metrics.select_related("epoch__site")}
    assert peaks.pop("baseline") == pytest.approx(12 + 95, abs=0.5)
    assert list(peaks.values()) == [pytest.approx(12 + 95 * 1.1, abs=0.5)]
    wait_for(lambda: recording.session.responses.exists(), "the comparison")


def test_sweep_takes_up_what_a_lost_worker_left(env: dict[str, str], worker: Running) -> None:
    _, recording = marked_recording()
    long_ago = timezone.now() - dt.timedelta(minutes=1)
    held = {"state": RunState.RUNNING, "token": new_key(), "lease_until": long_ago}
    lost = AnalysisRun.objects.create(recording=recording, attempts=1, sent_at=long_ago, **held)
    run(["celery", "--app", "config", "call", "registry.tasks.sweep_jobs"], env)
    wait_for(lambda: AnalysisRun.objects.get(pk=lost.pk).state == RunState.DONE or not worker.alive(), "the second try")
    assert AnalysisRun.objects.get(pk=lost.pk).attempts == 2, worker.said()
