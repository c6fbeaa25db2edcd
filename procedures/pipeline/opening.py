"""What can be refused before any sample is looked at: the file, its channels, its epochs.

Kept apart from the engine, whose libraries take longer to load than a wrong file takes to refuse.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from procedures.recordings import (
    Assignment,
    EpochMark,
    Recording,
    RecordingError,
    assign_roles,
    check_epochs,
    epochs_from_annotations,
    open_recording,
    read_epochs_csv,
)

MIN_RATE_HZ = 100.0  # below it dP/dt has no meaning


@dataclass(frozen=True)
class Opened:
    """A recording fit for analysis. ``marks_ignored``: it has annotations, but none of them marks an epoch."""

    recording: Recording
    assignment: Assignment
    marks: tuple[EpochMark, ...]
    marks_ignored: bool


def open_for_analysis(
    source: Path | str | Recording,
    mapping: Mapping[str, str] | None = None,
    epochs_csv: Path | str | None = None,
    epochs: Sequence[EpochMark] | None = None,
) -> Opened:
    """Open a file, or take an open recording; recognise its channels, settle its epochs. Parameters: ``analyse_file``.

    Raises
    ------
    RecordingError
        Where the file, the mapping or the epochs cannot be used, or there is no pressure to analyse.
    """
    table = None if epochs_csv is None else read_epochs_csv(epochs_csv)
    recording = open_recording(source) if isinstance(source, Path | str) else source
    assignment = assign_roles(recording.channels, mapping)
    _require_pressure(assignment, recording)
    start, end = recording.start_s, recording.start_s + recording.duration_s
    marks = tuple(epochs) if epochs is not None else table
    if marks is None:
        marks = epochs_from_annotations(recording.annotations, end)
    ignored = not marks and bool(recording.annotations)
    return Opened(recording, assignment, check_epochs(marks or (EpochMark("all", start, end),), start, end), ignored)


def _require_pressure(assignment: Assignment, recording: Recording) -> None:
    at = assignment.index("P_LV")
    if at is None:
        names = ", ".join(f"'{channel.label}'" for channel in recording.channels[:30])
        raise RecordingError(
            f"No left-ventricular pressure was found in the recording. Choose its channel from {names} (under "
            "Channels on the page, with --map P_LV=LABEL on the command line)."
        )
    rate = recording.channels[at].sample_rate_hz
    if rate < MIN_RATE_HZ:
        raise RecordingError(
            f"The pressure was sampled at {rate:g} Hz; at least {MIN_RATE_HZ:g} Hz are needed for dP/dt."
        )
