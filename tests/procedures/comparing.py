"""Sessions to compare: typed epochs, and epochs as a recording would leave them."""

from __future__ import annotations

import hashlib
from typing import Any

import numpy as np

from procedures.models import AnalysisRun, EpochBeats, EpochMetric, Recording, RunState, Session, Site, StoredSignals
from procedures.services.responses import refresh_responses
from registry.models import Centre
from tests.factories import enter, make_epoch, make_patient, make_session, make_site, make_tributary, writer_of

KEY = "dpdt_max_mmhg_per_s"
STROKE_WORK = "stroke_work_mmhg_ml"


def typed_session(
    gains: dict[str, float], *, centre: Centre | None = None, key: str = KEY, level: float = 800.0, visits: int = 2,
    **values: Any,
) -> Session:  # fmt: skip
    """Make a session with a baseline between all sites; ``gains`` are true changes in percent by site label.

    Without noise, so that what is computed is known: the change is the gain.
    """
    session = make_session(make_patient(centre) if centre else None, **({"baseline_pacing": "rv_paced"} | values))
    tributary = make_tributary(session)
    sites = {label: make_site(tributary, label, aha_segment=11) for label in gains}
    start = 0.0
    enter(make_epoch(session, None, start_s=start), key, level, sd=0.03 * level, confirmed=True)
    for _ in range(visits):
        for label, gain in gains.items():
            for site, value in ((sites[label], level * (1 + gain / 100)), (None, level)):
                start += 60.0
                enter(make_epoch(session, site, start_s=start), key, value, sd=0.03 * level, confirmed=True)
    refresh_responses(session.pk)
    return session


def recorded_session(gains: dict[str, float], *, visits: int = 2, centre: Centre | None = None) -> Session:
    """Make a session whose epochs were computed: beats, some refused, and loops with three segments."""
    session = make_session(make_patient(centre) if centre else None, baseline_pacing="rv_paced")
    run = _run(session)
    tributary = make_tributary(session)
    sites = {label: make_site(tributary, label, aha_segment=11) for label in gains}
    start = 0.0
    _computed(session, run, None, start, 3000.0)
    for _ in range(visits):
        for label, gain in gains.items():
            for site, value in ((sites[label], 3000.0 * (1 + gain / 100)), (None, 3000.0)):
                start += 60.0
                _computed(session, run, site, start, value)
    refresh_responses(session.pk)
    return session


def _run(session: Session) -> AnalysisRun:
    recording = Recording.objects.create(
        session=session, sha256=hashlib.sha256(str(session.pk).encode()).hexdigest(), file="none",
        original_name="demo.edf", format="EDF+", size_bytes=1, duration_s=3600.0, started_at=session.started_at,
        uploaded_by=writer_of(session.centre),
    )  # fmt: skip
    StoredSignals.objects.create(recording=recording, state=RunState.DONE, place="read but kept nowhere")
    return AnalysisRun.objects.create(recording=recording, state=RunState.DONE, algorithm_version="1.0.0")


def _computed(session: Session, run: AnalysisRun, site: Site | None, start_s: float, work: float) -> None:
    epoch = make_epoch(
        session, site, start_s=start_s, recording=run.recording, recording_start_s=start_s, recording_end_s=start_s + 30
    )
    beats = 36
    times = start_s + 0.8 * np.arange(beats)
    values = work * (1 + 0.02 * np.sin(2 * np.pi * times / 4.0))
    refused = ["settling", "settling", *[""] * (beats - 3), "ectopic"]
    EpochMetric.objects.create(
        epoch=epoch, key=STROKE_WORK, origin="computed", mean=float(values[2:-1].mean()), sd=float(values[2:-1].std()),
        beats=beats - 3, run=run,
    )  # fmt: skip
    phase = np.linspace(0, 2 * np.pi, 101)
    half = work / (np.pi * 45.0)
    EpochBeats.objects.create(
        epoch=epoch,
        run=run,
        columns={"time_s": times.tolist(), "refused": refused, STROKE_WORK: values.tolist()},
        loop={
            "volume_ml": (150 + half * np.cos(phase)).tolist(),
            "pressure_mmhg": (55 + 45 * np.sin(phase)).tolist(),
            "segments_ml": [(50 + half / 3 * np.cos(phase - lag)).tolist() for lag in (0.0, 0.2, 0.6)],
        },
    )
