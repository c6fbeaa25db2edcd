"""The epochs of one recording: their loops, and the numbers the last analysis made of them."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from django.db.models import F

from procedures.metrics import BY_KEY, Metric
from procedures.models import AnalysisRun, Calibration, Epoch, EpochBeats, EpochMetric, Origin, Recording, Session
from procedures.rhythms import RHYTHMS
from procedures.selectors.epochs_used import refusal_words
from procedures.selectors.loops import StateLoop

# What a look at a recording asks first; the comparison has every metric.
SHOWN = ("dpdt_max_mmhg_per_s", "sv_ml", "ef_percent", "stroke_work_mmhg_ml")
MOST_LOOPS = 12


@dataclass(frozen=True)
class RecordedEpoch:
    """An analysed epoch: beats used, beats refused in words (empty: none), shown metrics (None: missing), rhythm."""

    epoch: Epoch
    used: int
    refused: str
    means: list[tuple[Metric, float | None]]
    rhythm: str
    rhythm_remark: str
    rhythm_limits: bool

    @property
    def rhythm_words(self) -> str:
        """The rhythm in words; empty where an older analysis did not look."""
        return RHYTHMS.get(self.rhythm, "")


def marked_epochs(recording: Recording) -> list[Epoch]:
    """Return the epochs marked in a recording, in order of time."""
    return list(recording.epochs.select_related("site", "pacing").order_by("recording_start_s"))


def epochs_between(recording: Recording, start_s: float, end_s: float) -> list[Epoch]:
    """Return the epochs of which some part lies between two times."""
    found = recording.epochs.filter(recording_start_s__lt=end_s, recording_end_s__gt=start_s)
    return list(found.select_related("site"))


def latest_run(recording: Recording) -> AnalysisRun | None:
    """Return the latest analysis of a recording, if there was one."""
    return recording.runs.first()


def latest_calibration(session: Session) -> Calibration | None:
    """Return the calibration that was made last in a session, if there is one."""
    return Calibration.objects.filter(recording__session=session).order_by("-created_at", "-id").first()


def recorded_epochs(recording: Recording) -> list[RecordedEpoch]:
    """Return the analysed epochs of a recording in order of time, in two queries."""
    stored = (
        EpochBeats.objects.filter(epoch__recording=recording)
        .select_related("epoch__site")
        .defer("columns", "loop")
        .annotate(reasons=F("columns__refused"))
        .order_by("epoch__recording_start_s")
    )
    means: dict[object, dict[str, float]] = {}
    computed = EpochMetric.objects.filter(epoch__recording=recording, origin=Origin.COMPUTED, key__in=SHOWN)
    for epoch_id, key, mean in computed.values_list("epoch_id", "key", "mean"):
        means.setdefault(epoch_id, {})[key] = mean
    found = []
    for beats in stored:
        counts: Counter[str] = Counter(beats.reasons)
        used = counts.pop("", 0)
        refused = ", ".join(f"{count} {refusal_words(reason)}" for reason, count in counts.items())
        own = means.get(beats.epoch_id, {})
        shown = [(BY_KEY[key], own.get(key)) for key in SHOWN]
        rhythm = (beats.rhythm, beats.rhythm_remark, beats.rhythm_limits)
        found.append(RecordedEpoch(beats.epoch, used, refused, shown, *rhythm))
    return found


def loops_between(recording: Recording, start_s: float, end_s: float) -> list[StateLoop]:
    """Return the average loop of each epoch that lies in the stretch, in order of time; the first dozen."""
    stored = (
        EpochBeats.objects.filter(
            epoch__recording=recording, epoch__recording_start_s__lt=end_s, epoch__recording_end_s__gt=start_s
        )
        .exclude(loop={})
        .select_related("epoch__site")
        .defer("columns")
        .order_by("epoch__recording_start_s")
    )
    return [
        StateLoop(beats.epoch.label, beats.loop["volume_ml"], beats.loop["pressure_mmhg"], [])
        for beats in stored[:MOST_LOOPS]
    ]
