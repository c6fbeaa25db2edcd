"""Background tasks. Thin: each fetches its arguments and calls a service."""

from __future__ import annotations

from uuid import UUID

from celery import shared_task

from procedures.services import analysis


@shared_task(name="procedures.tasks.analyse_recording")
def analyse_recording(run_id: str) -> None:
    """Carry out a queued analysis run."""
    analysis.carry_out(UUID(run_id))


@shared_task(name="procedures.tasks.requeue_stuck_analyses")
def requeue_stuck_analyses() -> int:
    """Queue again what a lost worker left behind."""
    return analysis.requeue_stuck()
