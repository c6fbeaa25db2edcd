"""What the clock asks for. Thin: each calls a service."""

from __future__ import annotations

from celery import shared_task

from procedures.services import spare_files, uploads


@shared_task(name="procedures.tasks.clear_uploads")
def clear_uploads() -> int:
    """Give up files that were left lying half-sent."""
    return uploads.clear_uploads()


@shared_task(name="procedures.tasks.clear_spare_files")
def clear_spare_files() -> int:
    """Remove files of recordings that no row names."""
    return spare_files.clear_spare_files()
