"""What the queue calls. Thin: each fetches its arguments and calls a service."""

from __future__ import annotations

from uuid import UUID

from celery import shared_task
from django.core.management import call_command
from django.utils import timezone

from registry import jobs
from registry.jobs import signs
from registry.models import Attempt


@shared_task(name="registry.tasks.carry_out_job")
def carry_out_job(kind: str, key: str) -> None:
    """Carry out a background run that waits."""
    jobs.carry_out(kind, UUID(key))
    signs.give(signs.queue_sign(jobs.RUN_KINDS[kind].queue))


@shared_task(name="registry.tasks.sweep_jobs")
def sweep_jobs() -> int:
    """Send again what was not picked up."""
    signs.give(signs.CLOCK)
    return jobs.sweep()


@shared_task(name="registry.tasks.ask_for_signs")
def ask_for_signs() -> None:
    """Ask the workers of every queue for a sign of life."""
    signs.ask_for_signs()


@shared_task(name="registry.tasks.sign_of_life")
def sign_of_life(queue: str) -> None:
    """Say that a worker of this queue lives."""
    signs.give(signs.queue_sign(queue))


@shared_task(name="registry.tasks.clear_expired")
def clear_expired() -> int:
    """Forget log-ins that have ended and attempts that no longer count; return how many of the latter."""
    call_command("clearsessions")
    return Attempt.objects.filter(expires__lt=timezone.now()).delete()[0]
