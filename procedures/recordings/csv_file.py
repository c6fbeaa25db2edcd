"""CSV recordings: a header ``time_s,P_LV [mmHg],V_1 [mL],...`` and one row for each sample time.

Read from the first row to the last, a piece at a time, so that memory does not grow with the file.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from .clock import Clock, _uniform_rate
from .csv_header import _read_csv_header
from .hashing import sha256_of
from .signals import MAX_SAMPLES, Annotation, Channel, ChannelInfo, RecordingError, Signals

_MAX_FILE_BYTES = 2**31
_HEAD_BYTES = 1_000_000
# A piece is turned into numbers in one call of the library, during which no other thread works: short.
_PIECE_BYTES = 131_072
# Rows of a piece: two chunks of the stored form, fewer where there are very many columns.
_PIECE_ROWS, _PIECE_VALUES = 131_072, 2**22


class CsvRecording:
    """A CSV file, read once from start to end by :meth:`pieces`; its rate and length are certain after that.

    Parameters
    ----------
    path
        The file; its header and first rows are checked here.

    Raises
    ------
    RecordingError
        Where header, units or first rows are not as described.
    """

    format = "CSV"
    started_at = None
    annotations: tuple[Annotation, ...] = ()
    gaps: tuple[tuple[float, float], ...] = ()
    notes: tuple[str, ...] = ()

    def __init__(self, path: Path) -> None:
        self.path = path
        self._size = path.stat().st_size
        if self._size > _MAX_FILE_BYTES:
            raise RecordingError("The CSV file is larger than 2 GiB; use EDF or split it into shorter recordings.")
        self._columns, self._time = _read_csv_header(path)
        with path.open("rb") as file:
            file.readline()
            first = file.read(_HEAD_BYTES)
            whole = first if file.tell() == self._size else first[: first.rfind(b"\n") + 1]
        time = np.zeros(0) if not whole.strip() else self._table(whole, 0)[:, self._time]
        if time.size < 2:
            raise RecordingError("The CSV file needs at least two rows of samples below its header.")
        self.start_s = float(time[0])
        #: By the first rows until all are read.
        self.rate_hz = _uniform_rate(time)
        self.duration_s = round(len(time) / self.rate_hz, 9)

    @property
    def channels(self) -> tuple[ChannelInfo, ...]:
        """The columns that are not the time."""
        return tuple(ChannelInfo(label, unit, self.rate_hz) for label, unit in self._signals)

    def pieces(self) -> Iterator[tuple[float, tuple[Channel, ...]]]:
        """Read all rows; yields the share of the file that was read, and the samples that follow.

        Raises
        ------
        RecordingError
            Where times or values are not as described; the message names row and column.
        """
        tables, rows = list[NDArray[np.float64]](), 0
        piece_rows = min(_PIECE_ROWS, max(1, _PIECE_VALUES // len(self._columns)))
        with Clock() as clock:
            for read_bytes, table in self._tables():
                clock.take(table[:, self._time])
                tables.append(table)
                rows += len(table)
                while rows >= piece_rows:
                    joined = np.concatenate(tables)
                    yield read_bytes / self._size, self._piece(joined[:piece_rows])
                    tables, rows = [joined[piece_rows:]], rows - piece_rows
            self.rate_hz = clock.rate_hz()
            self.duration_s = round(clock.count / self.rate_hz, 9)
        if rows:
            yield 1.0, self._piece(np.concatenate(tables))

    @property
    def _signals(self) -> list[tuple[str, str]]:
        return [column for i, column in enumerate(self._columns) if i != self._time]

    def _piece(self, table: NDArray[np.float64]) -> tuple[Channel, ...]:
        values = np.ascontiguousarray(np.delete(table, self._time, axis=1).T)
        return tuple(
            Channel(label, unit, self.rate_hz, row) for (label, unit), row in zip(self._signals, values, strict=True)
        )

    def _tables(self) -> Iterator[tuple[int, NDArray[np.float64]]]:
        row, rest = 0, b""
        with self.path.open("rb") as file:
            file.readline()
            while True:
                piece = file.read(_PIECE_BYTES)
                rest += piece
                cut = rest.rfind(b"\n") + 1 if piece else len(rest)
                if not cut and len(rest) > _HEAD_BYTES:
                    raise RecordingError(f"Row {row + 1} of the CSV file is too long to be a row of numbers.")
                if rest[:cut].strip():
                    table = self._table(rest[:cut], row)
                    row += len(table)
                    yield file.tell(), table
                rest = rest[cut:]
                if not piece:
                    return

    def _table(self, text: bytes, above: int) -> NDArray[np.float64]:
        """Turn whole lines into numbers; ``above``: rows that stand above them."""
        labels = [label for label, _ in self._columns]
        try:
            lines = [line for line in text.decode("utf-8-sig").splitlines() if line.strip()]
            table = np.loadtxt(lines, delimiter=",", ndmin=2, comments=None, quotechar='"')
        except UnicodeDecodeError:
            raise RecordingError("The CSV file holds bytes that are not text.") from None
        except ValueError as error:
            raise RecordingError(_explained(str(error), labels, above)) from None
        if table.shape[1] != len(labels):
            if above:
                raise RecordingError(_columns_changed(above + 1, table.shape[1], len(labels)))
            raise RecordingError(
                f"The header of the CSV file names {len(labels)} columns, its rows hold {table.shape[1]}"
                + (" (a decimal comma splits numbers in two)." if table.shape[1] > len(labels) else ".")
            )
        finite = np.isfinite(table)
        if not finite.all():
            row, column = np.unravel_index(int(np.argmin(finite)), table.shape)
            raise RecordingError(
                f"Row {above + int(row) + 1} of the CSV file has {table[row, column]} in column "
                f"'{labels[int(column)]}'; every value must be a finite number."
            )
        return table


def _read_csv(path: Path) -> Signals:
    """Decode a CSV recording whole.

    Times must rise evenly; every value must be a finite number with a decimal point.

    Raises
    ------
    RecordingError
        Where header, units, times or values are not as described, or it is too long to be decoded at once.
    """
    recording, pieces, count = CsvRecording(path), list[tuple[Channel, ...]](), 0
    for _, piece in recording.pieces():
        pieces.append(piece)
        count += sum(channel.samples.size for channel in piece)
        if count > MAX_SAMPLES:
            raise RecordingError("The CSV file is too long to be decoded at once; split it.")
    return Signals(
        channels=tuple(
            Channel(info.label, info.unit, info.sample_rate_hz, np.concatenate([piece[i].samples for piece in pieces]))
            for i, info in enumerate(recording.channels)
        ),
        annotations=(),
        format=recording.format,
        duration_s=recording.duration_s,
        sha256=sha256_of(path),
        start_s=recording.start_s,
    )


def _explained(message: str, labels: list[str], above: int) -> str:
    """The library's complaint in the words of the file: its first data row is row 1."""
    if match := re.search(r"could not convert string '(.*)' to float64 at row (\d+), column (\d+)", message):
        text, row, column = match[1], above + int(match[2]) + 1, int(match[3]) - 1
        name = labels[column] if column < len(labels) else str(column + 1)
        if not text.strip():
            return f"Row {row} of the CSV file has no value in column '{name}'."
        if ";" in text:
            return f"Row {row} of the CSV file is separated by semicolons; separate columns by commas."
        hint = " (write numbers with a decimal point)" if re.fullmatch(r"\s*-?\d+,\d+\s*", text) else ""
        return f"Row {row} of the CSV file has '{text[:40]}' in column '{name}', which is not a number{hint}."
    if match := re.search(r"number of columns changed from (\d+) to (\d+) at row (\d+)", message):
        return _columns_changed(above + int(match[3]), int(match[2]), int(match[1]))
    return "The CSV file is not a table of numbers below its header."


def _columns_changed(row: int, here: int, above: int) -> str:
    return f"Row {row} of the CSV file has {here} columns, the rows above have {above}."
