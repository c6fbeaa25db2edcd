"""What every line of the log says besides its message: which request or run it is about, whose, and of which centre.

Keys only, never a name. A request or a run opens one context; code that learns more of it notes it there.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Any

_about: ContextVar[dict[str, str] | None] = ContextVar("log_context", default=None)


@contextmanager
def about(**known: Any) -> Iterator[None]:
    """Open a context with what is known at its beginning."""
    token = _about.set({name: str(value) for name, value in known.items()})
    try:
        yield
    finally:
        _about.reset(token)


def note(**known: Any) -> None:
    """Add to the open context; without one nothing happens."""
    context = _about.get()
    if context is not None:
        context.update({name: str(value) for name, value in known.items()})


def noted() -> dict[str, str]:
    """Return what the open context holds."""
    return dict(_about.get() or {})
