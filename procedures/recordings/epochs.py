"""Epochs: the steady stretches of a recording, from a table or from the recording's own annotations."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from .signals import Annotation, RecordingError

_COLUMNS = ("label", "start_s", "end_s")
_MAX_BYTES = 5_000_000
# Times in a table are typed or rounded; a stretch this short is no overlap and no excess.
_SLACK_S = 0.05
_MARK = re.compile(r"^(?:(baseline)|site\s*:\s*(\S.*))$", re.IGNORECASE)


@dataclass(frozen=True)
class EpochMark:
    """A stretch of the recording under one pacing configuration; a label may occur many times. Times in s."""

    label: str
    start_s: float
    end_s: float


def read_epochs_csv(path: Path | str) -> tuple[EpochMark, ...]:
    """Epochs from a table with the columns ``label,start_s,end_s``.

    Parameters
    ----------
    path
        The file.

    Returns
    -------
    tuple of EpochMark
        In the order of the table.

    Raises
    ------
    RecordingError
        Where the table is missing, lacks a column, or holds a row that is not an epoch.
    """
    path = Path(path)
    try:
        if path.stat().st_size > _MAX_BYTES:
            raise RecordingError(f"The epochs table {path.name} is too large to be one.")
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise RecordingError(
            f"The epochs table {path.name} cannot be read: {(error.strerror or 'no access').lower()}."
        ) from error
    except UnicodeDecodeError:
        raise RecordingError(f"The epochs table {path.name} is not UTF-8 text.") from None
    return parse_epochs_csv(text)


def parse_epochs_csv(text: str) -> tuple[EpochMark, ...]:
    """Epochs from the text of a table, as :func:`read_epochs_csv` reads them from a file.

    Parameters
    ----------
    text
        Content of the table.

    Returns
    -------
    tuple of EpochMark
        In the order of the table.

    Raises
    ------
    RecordingError
        Where a column is missing, or a row is not an epoch.
    """
    try:
        rows = list(csv.reader(io.StringIO(text, newline="")))
    except csv.Error:
        raise RecordingError("The epochs table is not a CSV file.") from None
    header = [name.strip().casefold() for name in rows[0]] if rows else []
    missing = [name for name in _COLUMNS if name not in header]
    if missing:
        raise RecordingError(
            f"The epochs table has no column {missing[0]}; its first line must be label,start_s,end_s."
        )
    at = [header.index(name) for name in _COLUMNS]
    marks = []
    for number, row in enumerate(rows[1:], start=1):
        if not any(cell.strip() for cell in row):
            continue
        if len(row) != len(header):
            raise RecordingError(f"Row {number} of the epochs table has {len(row)} columns, not {len(header)}.")
        label, start, end = (row[i].strip() for i in at)
        if not label:
            raise RecordingError(f"Row {number} of the epochs table has no label.")
        marks.append(EpochMark(label, _seconds(start, "start_s", number), _seconds(end, "end_s", number)))
    if not marks:
        raise RecordingError("The epochs table holds no epochs.")
    return tuple(marks)


def epochs_from_annotations(annotations: Iterable[Annotation], end_s: float) -> tuple[EpochMark, ...]:
    """Epochs from annotations ``baseline`` and ``site:<label>``; other texts are not epochs.

    An epoch lasts its annotation's duration; without one it runs to the next epoch annotation, to a text
    ``end``, or to the end of the recording at ``end_s``.

    Parameters
    ----------
    annotations
        In any order; an annotation's time is never NaN.
    end_s
        End of the recording on its own time axis, s.

    Returns
    -------
    tuple of EpochMark
        In order of their start; not checked against the recording's ends.

    Notes
    -----
    The two words are our own definition.
    """
    marks: list[EpochMark] = []
    open_label: str | None = None
    open_start = 0.0

    def close(at: float) -> None:
        nonlocal open_label
        if open_label is not None:
            marks.append(EpochMark(open_label, open_start, at))
            open_label = None

    for annotation in sorted(annotations, key=lambda a: a.onset_s):
        label = _epoch_label(annotation.text)
        if label is None:
            if annotation.text.strip().casefold() == "end":
                close(annotation.onset_s)
            continue
        close(annotation.onset_s)
        if annotation.duration_s:
            marks.append(EpochMark(label, annotation.onset_s, annotation.onset_s + annotation.duration_s))
        else:
            open_label, open_start = label, annotation.onset_s
    close(end_s)
    return tuple(marks)


def _epoch_label(text: str) -> str | None:
    """``baseline`` or ``site:<label>`` as it names an epoch, or None where a text does not mark one."""
    match = _MARK.match(text.strip())
    if not match:
        return None
    return "baseline" if match[1] else f"site:{match[2].strip()}"


def check_epochs(marks: Iterable[EpochMark], start_s: float, end_s: float) -> tuple[EpochMark, ...]:
    """Epochs in order of time, inside the recording and apart from one another.

    Parameters
    ----------
    marks
        Epochs in any order.
    start_s, end_s
        Ends of the recording's time axis, s.

    Returns
    -------
    tuple of EpochMark
        In order of time, cut to the recording where they reach past it by less than the slack of rounding.

    Raises
    ------
    RecordingError
        Where an epoch does not end after it starts, has NaN for a time, lies outside the recording, or overlaps
        another.

    Notes
    -----
    The slack is our own definition.
    """
    ordered = sorted(marks, key=lambda mark: (mark.start_s, mark.end_s))
    checked: list[EpochMark] = []
    for mark in ordered:
        if not mark.end_s > mark.start_s:  # NaN is not either
            raise RecordingError(f"The epoch {_named(mark)} does not end after it starts.")
        if mark.start_s < start_s - _SLACK_S or mark.end_s > end_s + _SLACK_S:
            raise RecordingError(
                f"The epoch {_named(mark)} lies outside the recording, which runs from {start_s:g} to {end_s:g} s."
            )
        if checked and mark.start_s < checked[-1].end_s - _SLACK_S:
            raise RecordingError(f"The epochs {_named(checked[-1])} and {_named(mark)} overlap.")
        start = max(mark.start_s, start_s, checked[-1].end_s if checked else start_s)
        checked.append(EpochMark(mark.label, start, min(mark.end_s, end_s)))
    return tuple(checked)


def _seconds(text: str, column: str, number: int) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise RecordingError(f"Row {number} of the epochs table has '{text}' as {column}, which is not a time in s.")
    return value


def _named(mark: EpochMark) -> str:
    return f"'{mark.label}' ({mark.start_s:g} to {mark.end_s:g} s)"
