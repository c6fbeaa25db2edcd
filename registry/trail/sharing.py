"""Sharing the pieces of a verification among processes."""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from itertools import chain, islice
from typing import TYPE_CHECKING, Any

import django
from django.db import connections

if TYPE_CHECKING:
    from registry.trail.verify import Piece

# Pieces that wait for a process; more would only take memory.
_AHEAD = 4
# Starting a process takes some seconds; with fewer whole pieces than this, one process alone is sooner done.
WORTH = 20.0


def shared(pieces: Iterable[Piece | str], processes: int) -> Iterator[str]:
    """Yield the faults of the pieces in the order of the pieces.

    With one process, or with too little work for several, in this one.
    """
    pieces = iter(pieces)
    first, weight = [], 0.0
    while processes > 1 and weight < WORTH and (piece := next(pieces, None)) is not None:
        first.append(piece)
        weight += 0.0 if isinstance(piece, str) else piece.weight
    pieces = chain(first, pieces)
    if weight < WORTH:
        for piece in pieces:
            yield from _faults(piece)
        return
    # Started afresh, not forked: a forked process would go on using this one's connections.
    context = multiprocessing.get_context("spawn")
    databases = {alias: dict(connections[alias].settings_dict) for alias in connections}
    begin = (os.environ["DJANGO_SETTINGS_MODULE"], databases)
    with ProcessPoolExecutor(processes, mp_context=context, initializer=_begin, initargs=begin) as pool:
        while bundle := list(islice(pieces, processes * _AHEAD)):
            for found in pool.map(_faults, bundle):
                yield from found


def _begin(settings: str, databases: dict[str, dict[str, Any]]) -> None:
    """Set a process up, on the databases of the one that started it."""
    os.environ["DJANGO_SETTINGS_MODULE"] = settings
    django.setup()
    for alias, values in databases.items():
        connections[alias].settings_dict.update(values)


def _faults(piece: Piece | str) -> list[str]:
    return [piece] if isinstance(piece, str) else list(piece.faults())
