"""The twelve leads of a recording, or of a stretch of it, as the measurement takes them."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from procedures.electrocardiogram import Electrocardiogram, electrocardiogram
from procedures.recordings import (
    Recording,
    RecordingError,
    assign_roles,
    check_epochs,
    epochs_from_annotations,
)
from procedures.recordings.epochs import EpochMark

# Hundreds of beats add nothing to an average beat; what follows is not read unless an epoch asks for it.
_LONGEST_S = 600.0


def read_leads(
    recording: Recording, mapping: Mapping[str, str], epoch: str | EpochMark | None
) -> tuple[Electrocardiogram, tuple[str, ...]]:
    """The leads of a recording, or of one of its epochs (whose stretches are kept apart), and remarks on them.

    Raises
    ------
    RecordingError, ElectrocardiogramError
        Where there are no leads with a name, their sampling rates differ, or there is no such epoch.
    """
    assignment = assign_roles(recording.channels, mapping)
    roles = {role: i for i, role in enumerate(assignment.roles) if role and role.startswith("ECG_")}
    if not roles:
        raise RecordingError(
            "The recording has no channel recognised as one of the twelve leads. Assign the channels (on the "
            "command line: --map ECG_I=LABEL)."
        )
    # a lead that was named by hand and cannot be used must not be replaced by one computed from others
    for role, label in mapping.items():
        if role.startswith("ECG_") and role not in roles:
            raise RecordingError(f"The channel '{label}' mapped to {role} is not in mV and cannot be used as a lead.")
    rates = {recording.channels[i].sample_rate_hz for i in roles.values()}
    if len(rates) > 1:
        raise RecordingError("The leads are sampled at different rates, which are not measured together.")
    notes = list(recording.notes) + [sentence for labels, sentence in assignment.remarks if labels]
    end_s = recording.start_s + recording.duration_s
    if epoch:
        marks = _stretches(recording, epoch, end_s)
    else:
        marks = [EpochMark("", recording.start_s, min(end_s, recording.start_s + _LONGEST_S))]
        if end_s > marks[0].end_s:
            notes.append(f"Only the first {_LONGEST_S:g} s were measured. Choose an epoch to measure another part.")
    labels = [recording.channels[i].label for i in roles.values()]
    stretches = [{c.label: c.samples for c in recording.read(m.start_s, m.end_s, labels)} for m in marks]
    pause = np.full(round(next(iter(rates)) * 1.5), np.nan)
    leads = {
        role[4:]: np.concatenate(
            [x for n, one in enumerate(stretches) for x in ([pause] if n else []) + [one[recording.channels[i].label]]]
        )
        * assignment.factors[i]
        for role, i in roles.items()
    }
    return electrocardiogram(leads, next(iter(rates))), tuple(notes)


def _stretches(recording: Recording, epoch: str | EpochMark, end_s: float) -> list[EpochMark]:
    if isinstance(epoch, EpochMark):
        return list(check_epochs([epoch], recording.start_s, end_s))
    marks = epochs_from_annotations(recording.annotations, end_s)
    if named := [mark for mark in marks if mark.label == epoch]:
        return list(check_epochs(named, recording.start_s, end_s))
    start, colon, end = epoch.partition(":")
    try:
        limits = (float(start), float(end)) if colon else None
    except ValueError:
        limits = None
    if limits is None or not all(map(math.isfinite, limits)):
        known = ", ".join(sorted({mark.label for mark in marks})) or "none"
        raise RecordingError(
            f"There is no epoch '{epoch}' in the recording (its epochs: {known}); a stretch is START:END in s."
        )
    return list(check_epochs([EpochMark(epoch, *limits)], recording.start_s, end_s))
