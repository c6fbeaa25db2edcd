"""Putting a message into the queue: once, quickly, or not at all. What is not sent stays in its row."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any
from uuid import UUID

from celery import current_app
from kombu import Connection
from kombu.exceptions import ChannelError

TASK = "registry.tasks.carry_out_job"
# Somebody may be waiting for the page: a queue that does not answer in this time is down, and the sweep sends later.
PATIENCE_S = 1.0
_ONCE = {
    "socket_connect_timeout": PATIENCE_S,
    "socket_timeout": PATIENCE_S,
    "max_retries": 0,
    "retry_on_timeout": False,
}


@contextmanager
def opened() -> Iterator[Connection]:
    """Open a connection of its own: a kept one may have died since, and would have to be tried again."""
    with current_app.connection_for_write(connect_timeout=PATIENCE_S, transport_options=_ONCE) as connection:
        yield connection


def put(connection: Connection, queue: str, kind: str, key: UUID) -> None:
    """Put one message into a queue."""
    current_app.send_task(TASK, args=(kind, str(key)), queue=queue, connection=connection, retry=False)


def depth(connection: Connection, queue: str) -> int:
    """Return how many messages wait in a queue."""
    try:
        channel: Any = connection.default_channel
        declared = channel.queue_declare(queue=queue, passive=True)
    except ChannelError:
        return 0  # an empty queue is not kept
    return int(declared.message_count)
