"""The kinds of background run: a name, the table of its runs, what carries one out, and the queue it waits in."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from django.utils.module_loading import import_string

from registry.models import Job

if TYPE_CHECKING:
    from registry.jobs.claims import Claim


@dataclass(frozen=True)
class RunKind:
    """One kind of run.

    ``work`` is the dotted path of a service, loaded when a run is carried out, so that a web process need not load what
    only workers use. ``queue`` is one of ``settings.JOB_QUEUES``. ``fault`` is what a person reads when the program
    itself failed: what stopped, and that nothing is lost. ``centre`` is the path from the table to the centre.
    """

    name: str
    model: type[Job]
    work: str
    queue: str
    fault: str
    centre: str

    def load(self) -> Callable[[Claim], None]:
        """Return the service that carries out a run."""
        work: Callable[[Claim], None] = import_string(self.work)
        return work


RUN_KINDS: dict[str, RunKind] = {}


def register(kind: RunKind) -> None:
    """Make a kind known."""
    RUN_KINDS[kind.name] = kind


def run_kind_of(model: type[Job]) -> RunKind:
    """Return the kind whose runs are kept in this table.

    Raises
    ------
    LookupError
        When none is registered for it.
    """
    for kind in RUN_KINDS.values():
        if kind.model is model:
            return kind
    raise LookupError(f"{model.__name__} belongs to no registered kind of run.")
