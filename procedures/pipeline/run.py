"""The whole line for one file: read, recognise, put on one clock, analyse."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from procedures.recordings import EpochMark, Recording, RecordingError
from procedures.recordings.hashing import sha256_of

from .opening import open_for_analysis
from .report import AnalysisReport, ReportChannel

if TYPE_CHECKING:
    from procedures.haemodynamics import Settings
    from procedures.haemodynamics.conditioning.calibration import Calibration

#: Called with a sentence and the share done (0 to 1) before each step; what it raises ends the analysis.
Progress = Callable[[str, float], None]


def analyse_file(
    source: Path | str | Recording,
    mapping: Mapping[str, str] | None = None,
    epochs_csv: Path | str | None = None,
    settings: Settings | None = None,
    *,
    epochs: Sequence[EpochMark] | None = None,
    overrides: Mapping[float, bool] | None = None,
    calibrations: Sequence[Calibration] = (),
    progress: Progress | None = None,
    sha256: str | None = None,
) -> AnalysisReport:
    """Analyse a recording.

    Parameters
    ----------
    source
        A file (EDF or EDF+, CSV, zipped WFDB record or DICOM waveform), or an open recording.
    mapping
        Label of the channel for a role, where it is not recognised by its own label.
    epochs_csv
        Table ``label,start_s,end_s``. Without it, and without ``epochs``, the recording's annotations mark the
        epochs; without those the whole file is one epoch ``all``.
    settings
        Of the engine; its defaults where None.
    epochs
        Epochs as marked by hand; they go before the table and the annotations.
    overrides
        Beats decided by hand: start of the beat, s -> whether it counts.
    calibrations
        Each holds from its time until the next one's; conductances G_n become volumes, volumes are corrected by alpha
        and parallel volume. Without any, volumes are taken as the file holds them.
    progress
        Told before each step.
    sha256
        Of the original file, for an open recording; a file's own is worked out.

    Returns
    -------
    AnalysisReport

    Raises
    ------
    RecordingError
        Where the file, the mapping or the epochs cannot be used, in words for the user.
    """
    tell = progress or (lambda sentence, share: None)
    tell("Opening the recording", 0.0)
    opened = open_for_analysis(source, mapping, epochs_csv, epochs)
    recording, assignment = opened.recording, opened.assignment

    # only now: loading the engine takes longer than refusing a wrong file
    from procedures.haemodynamics import EpochWindow, analyse

    from .inputs import FileSignals
    from .notes import in_labels_of_file, reader_notes
    from .volumes import segment_roles

    tell("Reading the signals", 0.05)
    try:
        signals = FileSignals(recording, assignment, calibrations)
        windows = [EpochWindow(mark.label, mark.start_s, mark.end_s) for mark in opened.marks]
        analysis = analyse(
            signals,
            windows,
            settings=settings,
            overrides=overrides,
            progress=lambda share: tell("Finding beats and measuring them", 0.05 + 0.9 * share),
        )
        if any(
            note.code == "gaps" and note.channel == "P_LV" and note.severity == "error" for note in analysis.quality
        ):
            raise RecordingError("The left-ventricular pressure channel has no values.")
    except RecordingError:
        raise
    except ValueError as error:  # the engine's own refusals, which are sentences for the user
        raise RecordingError(str(error)) from error
    tell("Taking the file's fingerprint", 0.95)
    return AnalysisReport(
        sha256=sha256_of(Path(source)) if isinstance(source, Path | str) else sha256 or "",
        format=recording.format,
        duration_s=recording.duration_s,
        started_at=recording.started_at,
        channels=tuple(
            ReportChannel(channel.label, role, channel.unit, channel.sample_rate_hz)
            for channel, role in zip(recording.channels, assignment.roles, strict=True)
        ),
        analysis=analysis,
        quality=(
            *reader_notes(opened),
            *signals.notes(),
            *in_labels_of_file(analysis.quality, recording, assignment, segment_roles(assignment, calibrations)),
        ),
        signals=signals,
        calibrations=tuple(calibrations),
    )
