"""Remarks on the signals of a session that touch the comparison: which sites, and by how much."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from procedures.metrics import Metric
from procedures.models import AnalysisRun, RunState, Session

#: Codes of remarks that say that a signal is wrong, and of those that say what cannot be told.
WRONG = (
    "catheter_rings",
    "pressure_zero",
    "pressure_scale",
    "pressure_moved",
    "pressure_gain_moved",
    "segment_damped",
    "segment_jump",
    "volume_moved",
)
NOT_TOLD = ("catheter_not_told", "pressure_level_not_told", "gain_not_told")


@dataclass(frozen=True)
class SignalRemark:
    """One remark: its sentence, the states it touches in words, and the bound for the metric shown (percent)."""

    message: str
    touches: str
    bound_percent: float | None


@dataclass(frozen=True)
class SignalRemarks:
    """What is wrong with the signals of a session, and what cannot be told from them."""

    wrong: list[SignalRemark]
    not_told: list[str]

    def __bool__(self) -> bool:
        return bool(self.wrong or self.not_told)


def signal_remarks(session: Session, metric: Metric | None) -> SignalRemarks:
    """Return the remarks of the latest finished analysis of each recording of a session, in one query."""
    runs = AnalysisRun.objects.filter(recording__session=session, state=RunState.DONE).order_by(
        "recording_id", "-created_at", "-id"
    )
    latest: dict[object, list[dict[str, object]]] = {}
    for recording, quality in runs.values_list("recording_id", "quality"):
        latest.setdefault(recording, quality)
    notes = [note for quality in latest.values() for note in quality]
    wrong = [_remark(note, metric) for note in notes if note.get("code") in WRONG]
    told = [str(note["message"]) for note in notes if note.get("code") in NOT_TOLD]
    return SignalRemarks(wrong, list(dict.fromkeys(told)))


def _remark(note: dict[str, object], metric: Metric | None) -> SignalRemark:
    bounds, touches = note.get("bound_percent"), note.get("touches")
    bound = bounds.get(metric.key) if isinstance(bounds, dict) and metric else None
    labels: Iterable[object] = touches if isinstance(touches, list | tuple) else ()
    return SignalRemark(str(note["message"]), ", ".join(map(str, labels)) or "all sites of the recording", bound)
