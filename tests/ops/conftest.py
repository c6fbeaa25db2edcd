"""A queue of the tests' own."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
import redis

from tests.ops.processes import environment, free_port, running


@pytest.fixture(scope="session")
def queue_url(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Start a Redis that keeps nothing, so that no other run's tasks are in it."""
    server = shutil.which("redis-server")
    if server is None:
        pytest.fail(
            "Redis is not installed: run 'make test', which installs it, or install the package 'redis-server'."
        )
    folder: Path = tmp_path_factory.mktemp("queue")
    port = free_port()
    url = f"redis://127.0.0.1:{port}/1"
    words = [
        server,
        "--bind",
        "127.0.0.1",
        "--port",
        str(port),
        "--save",
        "",
        "--appendonly",
        "no",
        "--dir",
        str(folder),
    ]

    def answers(_: object) -> bool:
        try:
            return bool(redis.Redis.from_url(url).ping())
        except redis.ConnectionError:
            return False

    with running(words, environment(), folder / "log", answers):
        yield url
