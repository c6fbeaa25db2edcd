"""What the readers have to say, as quality notes beside those of the engine."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from procedures.haemodynamics import QualityNote
from procedures.recordings import Assignment, Recording

from .opening import Opened


def reader_notes(opened: Opened) -> list[QualityNote]:
    """Remarks on the file, its units, channels without a role, and annotations that mark nothing."""
    recording, assignment = opened.recording, opened.assignment
    notes = [QualityNote("recording", note) for note in recording.notes]
    notes += [QualityNote("unit", text, channel=", ".join(labels)) for labels, text in assignment.remarks]
    mentioned = {label for labels, _ in assignment.remarks for label in labels}
    unused = [
        channel.label
        for channel, role in zip(recording.channels, assignment.roles, strict=True)
        if role is None and channel.label not in mentioned
    ]
    if unused:
        names = ", ".join(f"'{label}'" for label in unused[:30])
        text = (
            f"Not recognised and not used: {names}. Assign them by hand if needed (under Channels on the page, "
            "with --map on the command line)."
        )
        notes.append(QualityNote("not_recognised", text, severity="info"))
    if opened.marks_ignored:
        count = len(recording.annotations)
        text = f"The recording has {count} annotation(s), none of which marks an epoch (baseline, site:LABEL)."
        notes.append(QualityNote("no_epoch_marks", text, severity="info"))
    return notes


def in_labels_of_file(
    notes: Iterable[QualityNote], recording: Recording, assignment: Assignment, segments: Sequence[str]
) -> list[QualityNote]:
    """The engine's notes with the file's own labels, which a user knows; it numbers the ``segments`` it was given."""
    roles = {role: c.label for c, role in zip(recording.channels, assignment.roles, strict=True) if role}
    labels = roles | {f"V_{i}": roles[role] for i, role in enumerate(segments, start=1)}
    return [replace(n, channel=labels.get(n.channel, n.channel)) if n.channel else n for n in notes]
