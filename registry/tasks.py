"""What the queue calls. Thin: each fetches its arguments and calls a service."""

from __future__ import annotations

from uuid import UUID

from celery import shared_task

from registry import jobs


@shared_task(name="registry.tasks.carry_out_job")
def carry_out_job(kind: str, key: str) -> None:
    """Carry out a background run that waits."""
    jobs.carry_out(kind, UUID(key))


@shared_task(name="registry.tasks.sweep_jobs")
def sweep_jobs() -> int:
    """Send again what was not picked up."""
    return jobs.sweep()
