"""A recording analysed in stretches gives the beats and metrics that it gives in one piece, and is never held whole."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from procedures.haemodynamics import PressureVolumeSignals, analyse, analyse_segments, loops
from procedures.haemodynamics.channels.stretches import _stretches
from tests.procedures.haemodynamics.generator import Made

STRETCH_S = 7.0


class Spied:
    """Signals that remember the longest stretch asked of them."""

    def __init__(self, signals: PressureVolumeSignals) -> None:
        self._signals = signals
        self.longest = 0

    def __getattr__(self, name: str) -> object:
        return getattr(self._signals, name)

    def stretch(self, first: int, last: int) -> PressureVolumeSignals:
        self.longest = max(self.longest, last - first)
        return self._signals.stretch(first, last)

    def segments(self, first: int, last: int) -> np.ndarray:
        self.longest = max(self.longest, last - first)
        return self._signals.segments(first, last)


@pytest.mark.parametrize("ecg", [True, False])
@pytest.mark.parametrize("name", ["breathing", "ectopic", "fibrillation", "fastest"])
def test_parts_and_the_whole_agree(made: dict[str, Made], name: str, ecg: bool) -> None:
    signals = made[name].signals(np.random.default_rng(8), noise=0.5, ecg=ecg)
    whole, stretches = analyse(signals, stretch_s=1e6), analyse(signals, stretch_s=STRETCH_S)
    np.testing.assert_allclose(stretches.beats.time_s, whole.beats.time_s, atol=0.006)
    assert (stretches.beats.refused == whole.beats.refused).mean() > 0.97
    for key, summary in whole.epochs[0].metrics.items():
        bound = {"rel": 5e-3} if "percent" not in key and "dispersion" not in key else {"abs": 0.5}
        assert stretches.epochs[0].metrics[key].mean == pytest.approx(summary.mean, **bound), key


def test_no_stretch_is_longer_than_a_part_and_its_margins(made: dict[str, Made]) -> None:
    recording = made["breathing"]
    long = PressureVolumeSignals(
        1000.0,
        np.tile(recording.pressure, 8),
        segments_ml=np.tile(recording.segments, 8),
        ecg_mv=np.tile(recording.ecg, 8),
    )
    spied = Spied(long)
    result = analyse(spied, stretch_s=60.0)
    loops(spied, result, 0)
    assert len(result.beats) > 380
    assert spied.longest <= 200_000  # of 320,000; a stretch may be half as long again, and has its margins
    assert analyse_segments(spied, result).whole.shape[1] == len(result.beats)


@pytest.mark.parametrize("size", [0, 1, 999, 1499, 1501, 10_000])
def test_stretches_cover_everything_once(size: int) -> None:
    stretches = list(_stretches(size, 100.0, 10.0))
    assert stretches[0][0] == 0
    assert stretches[-1][1] == size
    assert all(a[1] == b[0] for a, b in pairwise(stretches))
    assert max(last - first for first, last in stretches) <= 1500


def test_progress_rises_and_can_end_the_analysis(made: dict[str, Made]) -> None:
    told: list[float] = []
    analyse(made["steady"].signals(), progress=told.append, stretch_s=5.0)
    assert told == sorted(told)
    assert len(told) > 5

    class Stopped(Exception):
        pass

    def stop(share: float) -> None:
        if share > 0.3:
            raise Stopped

    with pytest.raises(Stopped):
        analyse(made["steady"].signals(), progress=stop, stretch_s=5.0)
