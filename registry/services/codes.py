"""Giving out running codes. A counter row per centre and series is locked; no list of existing codes is read."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any
from uuid import UUID

from django.db import models

from registry.models import CodeCounter
from registry.numbers.running import code_of, highest_numbers

MOST_ASKED = 500


# A model with ``code`` and ``CODE_SERIES``, the pattern of the series it gives codes in.
Coded = Any


def held_counter(centre_id: UUID, series: str) -> CodeCounter:
    """Lock and return the counter of a series until the transaction ends.

    Lock it before the head of the change trail, and before asking whether a record is already stored: then a second
    sender of the same record waits here and finds it.
    """
    CodeCounter.objects.get_or_create(centre_id=centre_id, series=series)
    return CodeCounter.objects.select_for_update(no_key=True).get(centre_id=centre_id, series=series)


def drawn_code(counter: CodeCounter, model: type[Coded]) -> str:
    """Return the next code of a held counter that no record has, and move the counter to it."""
    first, width = counter.last_number + 1, 1
    while True:
        codes = [code_of(counter.series, number) for number in range(first, first + width)]
        found = model._default_manager.filter(centre_id=counter.centre_id, code__in=codes)
        taken = set(found.values_list("code", flat=True))
        free = next((place for place, code in enumerate(codes) if code not in taken), None)
        if free is not None:
            counter.last_number = first + free
            counter.save(update_fields=("last_number",))
            return codes[free]
        first, width = first + width, min(8 * width, MOST_ASKED)


def hold_series(centre_id: UUID, model: type[Coded], codes: Iterable[str]) -> None:
    """Lock the counters of every series that occurs in codes about to be written, in one order."""
    for series in sorted(highest_numbers(list(codes), model.CODE_SERIES)):
        held_counter(centre_id, series)


def for_coded(
    do: Callable[[UUID, type[Coded], list[str]], None], centre_id: UUID, records: Iterable[models.Model]
) -> None:
    """Call :func:`hold_series` or :func:`note_codes` with the codes among records of several kinds."""
    codes: dict[type[Coded], list[str]] = {}
    for record in records:
        if hasattr(record, "CODE_SERIES"):
            codes.setdefault(type(record), []).append(str(record.__dict__["code"]))
    for model in sorted(codes, key=lambda one: one.__name__):
        do(centre_id, model, codes[model])


def note_codes(centre_id: UUID, model: type[Coded], codes: Iterable[str]) -> None:
    """Move the counters on to codes that came from outside, so that later ones follow them."""
    for series, number in sorted(highest_numbers(list(codes), model.CODE_SERIES).items()):
        counter = held_counter(centre_id, series)
        if number > counter.last_number:
            counter.last_number = number
            counter.save(update_fields=("last_number",))
