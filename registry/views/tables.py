"""Answering with a table that spreadsheets open: streamed, in UTF-8 with its mark, without formulas."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from django.http import StreamingHttpResponse

from registry.spreadsheets import harmless


class _Line:
    """A file that hands back each line written to it."""

    def write(self, text: str) -> str:
        return text


def csv_answer(name: str, header: Sequence[str], rows: Iterable[Sequence[Any]]) -> StreamingHttpResponse:
    """Return rows as a CSV file of that name; they are taken one by one while it is sent."""
    writer = csv.writer(_Line())

    def lines() -> Iterator[str]:
        yield "\ufeff" + writer.writerow(header)
        for row in rows:
            yield writer.writerow([harmless(cell) for cell in row])

    answer = StreamingHttpResponse(lines(), content_type="text/csv; charset=utf-8")
    answer["Content-Disposition"] = f'attachment; filename="{name}"'
    return answer
