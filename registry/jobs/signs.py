"""Signs of life of the clock and of the workers of each queue.

The sweep of the clock gives its own sign, and puts a message that asks for one into every queue that is empty. Workers
at a run are heard by its lease instead, so a long run is no silence.
"""

from __future__ import annotations

import datetime as dt

from celery import current_app
from django.conf import settings
from django.db.models.functions import Now

from registry.jobs import queue
from registry.models import Sign

CLOCK, VERIFIED = "clock", "backup verified"
TASK = "registry.tasks.sign_of_life"


def queue_sign(name: str) -> str:
    """Return the name of the sign of the workers of a queue."""
    return f"queue {name}"


def give(name: str) -> None:
    """Give a sign; one that is fresh is left as it is, so that signs cost few writes."""
    fresh = dt.timedelta(seconds=settings.SIGN_EVERY_S / 2)
    if Sign.objects.filter(name=name, seen_at__gt=Now() - fresh).exists():
        return
    Sign.objects.update_or_create(name=name, defaults={"seen_at": Now()})


def ask_for_signs() -> None:
    """Ask the workers of every empty queue for a sign. A queue that does not answer raises what its library raises."""
    with queue.opened() as connection:
        for name in settings.JOB_QUEUES:
            if not queue.depth(connection, name):
                current_app.send_task(
                    TASK, args=(name,), queue=name, connection=connection, retry=False, expires=settings.SIGN_EVERY_S
                )
