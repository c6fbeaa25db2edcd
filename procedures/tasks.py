"""What the clock asks for. Thin: each calls a service."""

from __future__ import annotations

from celery import shared_task

from procedures.services import uploads


@shared_task(name="procedures.tasks.clear_uploads")
def clear_uploads() -> int:
    """Give up files that were left lying half-sent."""
    return uploads.clear_uploads()
