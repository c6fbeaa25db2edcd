"""Refusing and restoring single beats by hand."""

from __future__ import annotations

from procedures.limits import SAME_BEAT_S
from procedures.models import AnalysisRun, BeatOverride, Recording
from procedures.selectors.signals import span_of
from procedures.services.analysis import analyse_anew
from procedures.services.guard import put_in, writing
from registry.errors import RuleBroken
from registry.models import User
from registry.services.records import change, remove


def judge_beat(
    *, by: User, recording: Recording, time_s: float, counts: bool | None, note: str = "", reason: str = ""
) -> AnalysisRun | None:
    """Say whether a beat counts, or with ``counts=None`` leave it to the program again; then analyse again.

    ``note`` says why the beat was judged so; ``reason`` is the amendment's, on a signed session.

    Raises
    ------
    RuleBroken
        When the time lies outside the recording.
    """
    first, last = span_of(recording)
    if not first <= time_s <= last:
        raise RuleBroken("The beat is outside the recording.", fields={"time_s": ["Choose a beat of the recording."]})
    with writing(recording.session, by=by, summary=f"Beat at {time_s:.2f} s", reason=reason) as locked:
        near = recording.beat_overrides.filter(time_s__gte=time_s - SAME_BEAT_S, time_s__lte=time_s + SAME_BEAT_S)
        stored: BeatOverride | None = near.first()
        values = {"counts": counts, "reason": note.strip(), "judged_by": by}
        if counts is None:
            if stored:
                remove(stored, by=by, centre_id=locked.centre_id, reason=reason)
        elif stored:
            change(stored, by=by, centre_id=locked.centre_id, values=values, version=None, reason=reason)
        else:
            put_in(locked, BeatOverride, values | {"time_s": time_s}, by=by, recording=recording, reason=reason)
        return analyse_anew(by=by, recording=recording, locked=locked, reason=reason)
