"""The long table of beats (``time_s,epoch,state,value`` with optional ``session`` and ``metric``) as epochs."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from procedures.acute_response.prepared import BEATS_ASSUMED
from procedures.acute_response.settings import Settings
from procedures.acute_response.values import BeatEpoch, Epoch, FloatArray, ResponseError, SummaryEpoch

NEEDED = ("time_s", "epoch", "state", "value")
OPTIONAL = ("session", "metric")
_LARGEST = 1e12  # beyond any time in s or value in any unit, and far from where squares overflow


@dataclass(frozen=True)
class SessionTable:
    """Epochs of one session and metric, in order of time; names are None where the file has no such column."""

    session: str | None
    metric: str | None
    epochs: tuple[Epoch, ...]
    flags: tuple[str, ...]


def read_table(
    path: Path, needed: tuple[str, ...], optional: tuple[str, ...], numeric: tuple[str, ...]
) -> pd.DataFrame:
    """Read a CSV as text and turn its numeric columns into numbers; a blank is missing (NaN).

    Parameters
    ----------
    path
        The CSV file.
    needed
        Columns that must be there.
    optional
        Columns read as text where they are there.
    numeric
        Columns read as numbers.

    Returns
    -------
    DataFrame
        Text columns as text, numeric ones as float64 with NaN for a blank.

    Raises
    ------
    ResponseError
        The file is absent, empty, not text, lacks a column, or holds something that is not a number; one sentence.
    """
    as_it_is: dict[str, Any] = {"keep_default_na": False, "encoding": "utf-8-sig", "skipinitialspace": True}
    try:
        header = pd.read_csv(path, header=None, nrows=1, dtype=str, **as_it_is).iloc[0].str.strip().tolist()
        if twice := [c for c in (*needed, *optional, *numeric) if header.count(c) > 1]:
            raise ResponseError(f"The file {path} has the column {twice[0]!r} more than once.")
        table = pd.read_csv(
            path, dtype={c: str for c in (*needed, *optional) if c not in numeric},
            na_values={c: [""] for c in numeric}, low_memory=False, **as_it_is,
        ).rename(columns=str.strip)  # fmt: skip
    except (FileNotFoundError, IsADirectoryError, PermissionError) as error:
        raise ResponseError(f"The file {path} cannot be read: {error.strerror}.") from error
    except pd.errors.EmptyDataError as error:
        raise ResponseError(f"The file {path} is empty.") from error
    except (pd.errors.ParserError, UnicodeDecodeError) as error:
        raise ResponseError(f"The file {path} is not a table of comma-separated text.") from error
    missing = [c for c in needed if c not in table.columns]
    if missing and len(table.columns) == 1 and ";" in table.columns[0]:
        raise ResponseError(f"The file {path} is separated by semicolons; use commas and a decimal point.")
    if missing:
        raise ResponseError(f"The file {path} has no column {missing[0]!r}; it needs {', '.join(needed)}.")
    if table.empty:
        raise ResponseError(f"The file {path} has a header but no rows.")
    for column in (c for c in numeric if c in table.columns):
        if table[column].dtype == object or table[column].dtype.kind not in "iuf":
            numbers = pd.to_numeric(table[column], errors="coerce")
            wrong = (
                table[column].notna()
                & numbers.isna()
                & ~table[column].astype(str).str.strip().str.lower().isin(["", "nan"])
            )
            if wrong.any():
                row = int(np.flatnonzero(wrong)[0])
                shown = str(table[column].iloc[row])[:40]
                raise ResponseError(f"Line {row + 2} of {path}: {column} is {shown!r}, which is not a number.")
            table[column] = numbers
        beyond = np.abs(table[column].to_numpy(float)) > _LARGEST
        if beyond.any():
            raise ResponseError(
                f"Line {int(beyond.argmax()) + 2} of {path}: {column} is not a finite number below 1e12."
            )
    return table


def read_beats(path: Path, settings: Settings) -> Iterator[SessionTable]:
    """Read the long table and yield its sessions and metrics in order of appearance.

    Rows of one epoch and state that follow one another in time make an epoch; when a label comes back after
    another epoch, it is a new visit, and the session carries the flag ``epoch_label_reused``. When no epoch
    of a session has more than one row, each row is taken as the mean of an epoch (flag ``epoch_means``). Rows
    without a value are left out.

    Parameters
    ----------
    path
        The CSV file.
    settings
        Choices of the model.

    Yields
    ------
    SessionTable
        One for each session and metric.

    Raises
    ------
    ResponseError
        As :func:`read_table`, and where a row has no time, epoch or state.
    """
    table = read_table(path, NEEDED, OPTIONAL, ("time_s", "value"))
    if table["time_s"].isna().any():
        raise ResponseError(f"Line {int(table['time_s'].isna().argmax()) + 2} of {path} has no time_s.")
    for column in ("epoch", "state"):
        table[column] = table[column].str.strip()
        blank = table[column].to_numpy() == ""
        if blank.any():
            raise ResponseError(f"Line {int(blank.argmax()) + 2} of {path} has no {column}.")
    group = np.zeros(len(table), np.int64)
    names: dict[str, FloatArray] = {}
    for column in OPTIONAL:
        if column in table.columns:
            codes, words = pd.factorize(table[column].astype(str).str.strip())
            names[column] = words
            group = group * len(words) + codes
    present, first, group = np.unique(group, return_index=True, return_inverse=True)
    rank = np.empty(present.size, np.int64)
    rank[np.argsort(first)] = np.arange(present.size)
    group = rank[group]
    epoch, epoch_names = pd.factorize(table["epoch"])
    state, state_names = pd.factorize(table["state"])
    times, values = table["time_s"].to_numpy(float), table["value"].to_numpy(float)
    label = epoch.astype(np.int64) * len(state_names) + state
    order = np.lexsort((label, times, group))
    group, label, state, epoch = group[order], label[order], state[order], epoch[order]
    times, values, source = times[order], values[order], order
    edges = np.flatnonzero((np.diff(group) != 0) | (np.diff(label) != 0)) + 1
    starts, ends = np.concatenate([[0], edges]), np.concatenate([edges, [len(times)]])
    by_group = np.searchsorted(group[starts], np.arange(present.size + 1))
    for g in range(present.size):
        span = slice(by_group[g], by_group[g + 1])
        flags: list[str] = []
        single = bool((ends[span] - starts[span] == 1).all())
        if single:
            flags.append("epoch_means")
        seen: dict[str, int] = {}
        epochs: list[Epoch] = []
        for a, b in zip(starts[span], ends[span], strict=True):
            where, key = str(state_names[state[a]]), f"{epoch_names[epoch[a]]}"
            seen[key] = seen.get(key, 0) + 1
            if seen[key] > 1:
                key = f"{key} ({where}, {seen[key]})"
            if single:
                error = abs(values[a]) * settings.beat_sd_percent / 100.0 / np.sqrt(BEATS_ASSUMED)
                epochs.append(SummaryEpoch(key, where, times[a], times[a], values[a], None, 1, error))
            else:
                epochs.append(BeatEpoch(key, where, times[a], times[b - 1], times[a:b], values[a:b]))
        if any(n > 1 for n in seen.values()):
            flags.append("epoch_label_reused")
        row = table.iloc[int(source[starts[by_group[g]]])]
        yield SessionTable(
            str(row["session"]).strip() if "session" in table.columns else None,
            str(row["metric"]).strip() if "metric" in table.columns else None,
            tuple(epochs),
            tuple(flags),
        )
