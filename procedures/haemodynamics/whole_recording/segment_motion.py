"""Motion of the segments over a whole recording, a minute or so at a time."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from ..beat_metrics.dyssynchrony import SegmentMotion, _segment_motion
from ..channels.gaps import _bridge
from ..channels.stretches import _stretches, _survey_stretch
from ..conditioning.filters import _remove_line
from ..conditioning.segments import _choose_slope_filter, _filter_note, _segment_traces
from ..results import QualityNote
from ..settings import Settings
from ..signals import FloatArray, SignalSource
from ..windows import IntArray
from .measured import Measured

STRETCH_S = 80.0
LENT_S = 40.0
MARGIN_S = 1.0


def _recording_motion(
    source: SignalSource,
    measured: Measured,
    group: IntArray,
    settings: Settings,
    progress: Callable[[float], None] | None = None,
) -> tuple[SegmentMotion, QualityNote]:
    """Motion of every segment in every beat, and the filter it was seen under.

    ``group``: epoch of each beat that may be averaged with its neighbours, −1 for one that stands alone.
    """
    rate, cycles = source.sample_rate_hz, measured.cycles
    sample = _survey_stretch(source).segments_ml
    assert sample is not None  # noqa: S101 - for the type checker; callers have asked for the number of segments
    line = measured.volume_line_hz
    chosen = _choose_slope_filter(_ready(sample, line, rate), settings, rate)
    # Beats lent for averaging: neighbours of the same group may lie beyond refused ones.
    lent = 4 * settings.slope_average_beats if chosen.noisy else 0
    parts = []
    for first, last in _stretches(source.size, rate, STRETCH_S):
        if progress is not None:
            progress(first / source.size)
        block = slice(*np.searchsorted(cycles.onset, (first, last)).tolist())
        if block.start == block.stop:
            continue
        near = np.searchsorted(cycles.onset, (first - LENT_S * rate, last + LENT_S * rate)).tolist()
        beats = slice(max(block.start - lent, near[0]), min(block.stop + lent, near[1]))
        low = max(int(cycles.onset[beats].min() - MARGIN_S * rate), 0)
        high = min(int(cycles.next_onset[beats].max() + MARGIN_S * rate) + 1, source.size)
        traces = _segment_traces(_ready(source.segments(low, high), line, rate), chosen, rate)
        motion = _segment_motion(
            traces, cycles.chosen(beats, -low), measured.minimum[beats] - low, group[beats], settings, rate
        )
        parts.append(motion.chosen(slice(block.start - beats.start, block.stop - beats.start)))
    return SegmentMotion.joined(parts), _filter_note(chosen, settings)


def _ready(segments: FloatArray, line_hz: float | None, rate: float) -> FloatArray:
    """Segments with gaps bridged and hum taken out."""
    if not np.isfinite(segments).all():
        segments = np.stack([_bridge(row) for row in segments])
    return segments if line_hz is None else _remove_line(segments, line_hz, rate)
