"""What other rooms keep of patients in files, so that an erasure can remove it; each registers its stores."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass
from typing import Any
from uuid import UUID


@dataclass(frozen=True)
class FileStore:
    """A store of files.

    ``of_patients`` names the files that rows of these patients point at; a name tells nothing of a person. ``remove``
    removes one, unless a row still points at it, and does nothing when it is gone. ``sweep`` removes files that no row
    points at, left behind by writes that failed, and returns how many. ``original`` opens a file that belongs into a
    patient's copy of their data.
    """

    name: str
    of_patients: Callable[[Collection[UUID]], Iterable[str]]
    remove: Callable[[str], None]
    sweep: Callable[[], int]
    original: Callable[[str], Any] | None = None


STORES: dict[str, FileStore] = {}


def register(store: FileStore) -> None:
    """Make a store known."""
    STORES[store.name] = store
