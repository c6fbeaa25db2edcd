"""The beats of a recording between two times, with what was judged of them."""

from __future__ import annotations

from dataclasses import dataclass

from procedures.limits import SAME_BEAT_S
from procedures.models import EpochBeats, Recording
from procedures.selectors.epochs_used import refusal_words

# A minute at 180 beats is what a hand can go through; longer stretches are asked to be narrowed.
LONGEST_VIEW_S = 60.0
MOST_BEATS = 250


@dataclass(frozen=True)
class SeenBeat:
    """One beat: its span, the epoch it lies in, why it was refused (empty: used) and whether that was by hand."""

    time_s: float
    end_s: float
    epoch: str
    refused: str
    by_hand: bool

    @property
    def used(self) -> bool:
        """Whether the beat counts."""
        return not self.refused

    @property
    def words(self) -> str:
        """What is the matter with it, in words."""
        if self.by_hand:
            return "restored by hand" if self.used else "excluded by hand"
        return "used" if self.used else refusal_words(self.refused)


def beats_between(recording: Recording, start_s: float, end_s: float) -> list[SeenBeat]:
    """Return the beats of marked epochs that begin between two times of the file's axis, in order."""
    stored = (
        EpochBeats.objects.filter(
            epoch__recording=recording, epoch__recording_start_s__lt=end_s, epoch__recording_end_s__gt=start_s
        )
        .select_related("epoch__site")
        .defer("loop")
        .order_by("epoch__recording_start_s")
    )
    judged = list(recording.beat_overrides.values_list("time_s", flat=True))
    seen = [
        SeenBeat(time_s, stop_s, beats.epoch.label, reason, any(abs(time_s - at) <= SAME_BEAT_S for at in judged))
        for beats in stored
        for time_s, stop_s, reason in zip(
            beats.columns["time_s"], beats.columns["end_s"], beats.columns["refused"], strict=True
        )
        if start_s <= time_s < end_s
    ]
    return seen[:MOST_BEATS]
