"""Noting which patients' identifiers a request read, so that every look can be recorded.

An encrypted field notes each reading of its value here. What is noted within :func:`noting` is written down by
``config.middleware``; outside of it, as in a command, nothing is noted.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Any
from uuid import UUID

from django.db.models.query_utils import DeferredAttribute

_noted: ContextVar[dict[UUID, None] | None] = ContextVar("identities looked at", default=None)


@contextmanager
def noting() -> Iterator[dict[UUID, None]]:
    """Yield the keys of the patients whose identifiers are read from here on, in the order they were read."""
    looked: dict[UUID, None] = {}
    token = _noted.set(looked)
    try:
        yield looked
    finally:
        _noted.reset(token)


class NotedAttribute(DeferredAttribute):
    """An attribute that notes whose identifier was read. A record that is only about to be stored is no look."""

    def __get__(self, instance: Any, cls: Any = None) -> Any:
        """Return the value."""
        if instance is None:
            return self
        looked = _noted.get()
        if looked is not None and not instance._state.adding and (key := getattr(instance, "patient_id", None)):
            looked[key] = None
        name = self.field.attname
        return instance.__dict__[name] if name in instance.__dict__ else super().__get__(instance, cls)

    def __set__(self, instance: Any, value: Any) -> None:
        """Set the value; defining this makes Python ask ``__get__`` each time."""
        instance.__dict__[self.field.attname] = value
