"""What one act wrote into the change trail, and nothing that others wrote meanwhile."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from uuid import UUID

from registry.models import Change


@dataclass
class Act:
    """The keys of the links that were written while an act ran, in their order."""

    keys: list[UUID] = field(default_factory=list)

    def wrote(self) -> bool:
        """Say whether a link of the act stands; one that a savepoint took back with its change does not."""
        return bool(self.keys) and Change.objects.filter(pk__in=self.keys).exists()


_running: ContextVar[tuple[Act, ...]] = ContextVar("acts that are running", default=())


@contextmanager
def act() -> Iterator[Act]:
    """Note every link written from here on by this thread or task, also within acts inside this one."""
    running = Act()
    token = _running.set((*_running.get(), running))
    try:
        yield running
    finally:
        _running.reset(token)


def note(key: UUID) -> None:
    """Tell the acts that are running of a link."""
    for running in _running.get():
        running.keys.append(key)
