"""Rhythms told apart: hand-worked trains of cycles, and hearts whose beats the engine has never seen."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from procedures.haemodynamics import EpochWindow, PressureVolumeSignals, Settings, analyse
from procedures.haemodynamics.beats.qrs_shape import POINTS, _likeness
from procedures.haemodynamics.epochs.preceding_cycles import _at_equal_cycles
from procedures.haemodynamics.epochs.rhythm import _epoch_rhythms
from procedures.haemodynamics.refusal.reasons import _beats_after
from procedures.haemodynamics.refusal.rhythm import RhythmVerdict, _judge_rhythm
from procedures.haemodynamics.results import EpochRhythm
from tests.simulators import beating_heart as heart


def judged(intervals: list[float], shapes: np.ndarray | None = None) -> RhythmVerdict:
    """What is made of a train of intervals with pressures all alike."""
    mark = np.concatenate(([0.0], np.cumsum(intervals)))
    group = np.zeros(mark.size - 1, dtype=np.int64)
    return _judge_rhythm(mark[:-1], mark[1:], {}, group, Settings(), shapes)


def named(intervals: list[float], hidden: list[int] | None = None) -> EpochRhythm:
    """The rhythm of a train of intervals taken as one epoch."""
    mark = np.concatenate(([0.0], np.cumsum(intervals)))
    unseen = np.isin(np.arange(mark.size - 1), hidden or [])
    verdict = judged(intervals)
    refused = np.full(mark.size - 1, "", dtype="<U16")
    refused[_beats_after(verdict.ectopic, 2) | verdict.after_hidden] = "post_ectopic"
    refused[verdict.ectopic] = "ectopic"
    epoch = np.zeros(mark.size - 1, dtype=np.int64)
    return _epoch_rhythms(verdict, unseen, refused, mark[:-1], mark[1:], epoch, [False], Settings())[0]


# Normal cycle 0.8 s; an early beat after 0.5 s and the pause after it 1.1 s, together two cycles.
STEADY = [0.8] * 8
BIGEMINY = [0.5, 1.1] * 8
TRIGEMINY = [0.8, 0.5, 1.1] * 6
FIBRILLATION = [
    0.62, 0.91, 0.55, 0.48, 0.83, 1.02, 0.71, 0.44, 0.67, 0.95, 0.58, 0.88, 0.74, 0.46, 0.51, 1.10, 0.79, 0.60, 0.97,
    0.53, 0.69, 0.86, 0.45, 0.76,
]  # fmt: skip


@pytest.mark.parametrize(
    ("intervals", "kind"),
    [
        (STEADY * 2, "regular"),
        ([*STEADY, 0.5, 1.1, *STEADY, 0.5, 1.1, *STEADY], "ectopic"),
        ([*STEADY, 0.5, 0.45, 1.1, *STEADY], "ectopic"),  # a couplet
        ([*STEADY, 0.4, 0.4, *STEADY], "interpolated"),
        ([*STEADY, 0.4, 0.4, 0.4, 1.1, *STEADY], "runs"),
        (BIGEMINY, "bigeminy"),
        ([*BIGEMINY, *STEADY], "bigeminy"),
        ([*[0.72, 0.88] * 8], "bigeminy"),  # late ectopic beats: 18 % early
        (TRIGEMINY, "trigeminy"),
        (FIBRILLATION, "irregular"),
        (list(np.linspace(0.95, 0.65, 40)), "changing"),
        ([0.9] * 15 + [0.7] * 15, "changing"),
        ([0.9] * 15 + [0.83] * 15, "regular"),  # 8 %: below the limit
        ([0.8] * 4, "unknown"),
    ],
)
def test_rhythm_of_a_train_of_cycles(intervals: list[float], kind: str) -> None:
    assert named(intervals).kind == kind


def test_ectopic_beats_of_a_pattern_are_the_early_ones() -> None:
    assert np.flatnonzero(judged(BIGEMINY).ectopic).tolist() == list(range(1, 16, 2))
    assert np.flatnonzero(judged(TRIGEMINY).ectopic).tolist() == list(range(2, 18, 3))


def test_beat_after_an_interpolated_one_is_not_ectopic() -> None:
    assert np.flatnonzero(judged([*STEADY, 0.4, 0.4, *STEADY]).ectopic).tolist() == [9]


def test_beats_before_the_first_ectopic_one_of_a_pattern_do_not_count() -> None:
    """What came before the stretch was part of the pattern too."""
    assert np.flatnonzero(judged(TRIGEMINY).after_hidden).tolist() == [0, 1]
    assert not judged([*STEADY, 0.5, 1.1, *STEADY]).after_hidden.any()


def test_which_rhythms_limit_the_numbers() -> None:
    assert not named(STEADY).limits
    assert not named([*STEADY, *STEADY, 0.5, 1.1, *STEADY]).limits  # 3 of 26 beats
    many = named([*[0.8] * 4, 0.5, 1.1] * 5)  # the early beat and two after it: half of the beats
    assert many.limits
    assert "repeat the epoch" in many.remark
    for train in (BIGEMINY, TRIGEMINY, FIBRILLATION, [0.9] * 15 + [0.7] * 15):
        assert named(train).limits
    assert "no value can be told" in named(BIGEMINY).remark
    assert "in a part of the epoch" in named([*BIGEMINY, *STEADY]).remark
    assert "from 67 to 86/min" in named([0.9] * 15 + [0.7] * 15).remark


def test_contractions_seen_in_diastole_alone_make_bigeminy() -> None:
    """Every pulse carries a weak contraction: the pulse is regular at half the rate."""
    assert named([1.6] * 10, hidden=list(range(10))).kind == "bigeminy"
    assert named([0.8] * 20, hidden=[5]).kind == "ectopic"


def test_qrs_tells_ectopic_beats_in_fibrillation() -> None:
    usual, strange = np.zeros((2, 4 * POINTS))
    phase = np.linspace(-1, 1, POINTS)
    usual[:POINTS] = np.exp(-(phase**2) / 0.01)
    strange[:POINTS] = -np.exp(-((phase - 0.2) ** 2) / 0.2)
    shapes = np.tile(usual, (len(FIBRILLATION), 1))
    shapes[[6, 15]] = strange
    verdict = judged(FIBRILLATION, shapes)
    assert verdict.irregular.all()
    assert np.flatnonzero(verdict.ectopic).tolist() == [6, 15]
    assert _likeness(shapes, usual)[[0, 6]] == pytest.approx([1.0, -0.35], abs=0.4)


def test_value_at_equal_cycles_by_hand() -> None:
    """Ratios 0.7, 0.9, 1.1, 1.3 with 900, 980, 1060, 1140 mmHg/s lie on 620 + 400·ratio: 1020 at equal cycles."""
    ratio = [0.7, 0.9, 1.1, 1.3]
    preceding = np.concatenate(([np.nan, 1.0], np.cumprod(ratio)))
    metrics = {
        "dpdt_max_mmhg_per_s": np.array([500.0, 500.0, 900.0, 980.0, 1060.0, 1140.0]),
        "sv_ml": np.arange(6.0),
    }
    assert _at_equal_cycles(metrics, preceding, np.arange(2, 6), replace(Settings(), ratio_beats=4))
    assert metrics["dpdt_max_mmhg_per_s"] == pytest.approx([500, 500, 1020, 1020, 1020, 1020])
    assert metrics["sv_ml"].tolist() == [0, 1, 2, 3, 4, 5]
    assert not _at_equal_cycles(metrics, preceding, np.arange(2, 6), Settings())  # four beats are too few


@pytest.mark.parametrize("jumps", ["at random", "in turns"])
def test_r_wave_found_at_either_peak_of_a_notched_qrs_is_no_rhythm(jumps: str) -> None:
    """The pressure keeps time while the mark jumps by 88 ms."""
    rng = np.random.default_rng(5)
    second = rng.random(30) < 0.5 if jumps == "at random" else np.arange(30) % 2 == 1
    onset = 0.75 * np.arange(30) + 0.07 + 0.004 * rng.standard_normal(30)
    mark = 0.75 * np.arange(30) + 0.088 * second
    group = np.zeros(29, dtype=np.int64)
    alone = _judge_rhythm(mark[:-1], mark[1:], {}, group, Settings())
    assert alone.irregular.any() or alone.alternating.any()
    both = _judge_rhythm(mark[:-1], mark[1:], {}, group, Settings(), onset_s=onset[:-1])
    assert not both.irregular.any()
    assert not both.alternating.any()


def test_pressure_does_not_hide_fibrillation_or_bigeminy() -> None:
    rng = np.random.default_rng(6)
    for intervals, what in ((rng.uniform(0.45, 1.1, 30), "irregular"), (np.tile([0.55, 1.1], 15), "alternating")):
        mark = np.concatenate(([0.0], np.cumsum(intervals)))
        onset = mark + 0.07 + 0.01 * rng.standard_normal(mark.size)
        group = np.zeros(30, dtype=np.int64)
        verdict = _judge_rhythm(mark[:-1], mark[1:], {}, group, Settings(), onset_s=onset[:-1])
        assert getattr(verdict, what).sum() >= 14, what


def heard(beats: list[heart.Beat], seconds: float, *, ecg: bool = True) -> PressureVolumeSignals:
    run = heart.spoiled(heart.run(beats, seconds), heart.Faults(), np.random.default_rng(1))
    return PressureVolumeSignals(
        1000.0, run.pressure_mmhg, segments_ml=run.segments_ml, ecg_mv=run.ecg_mv if ecg else None
    )


@pytest.mark.parametrize("ecg", [True, False])
def test_bigeminy_of_a_heart_gives_no_number(ecg: bool) -> None:
    """Without an ECG the early beats are seen as a rise in diastole alone."""
    rng = np.random.default_rng(4)
    signals = heard(heart.with_ectopy(heart.sinus(22.0, 0.85, rng), 2, 0.62, rng), 22.0, ecg=ecg)
    result = analyse(signals, [EpochWindow("site", 3.0, 21.5)])
    assert result.epochs[0].rhythm.kind == "bigeminy"
    assert not result.epochs[0].metrics
    (note,) = (note for note in result.quality if note.code == "rhythm_bigeminy")
    assert (note.epoch, note.severity) == ("site", "warning")


def test_steady_heart_carries_no_remark() -> None:
    signals = heard(heart.sinus(20.0, 0.85, np.random.default_rng(2)), 20.0)
    result = analyse(signals, [EpochWindow("site", 3.0, 19.5)])
    assert result.epochs[0].rhythm == EpochRhythm("regular", "", limits=False)
    assert not [note for note in result.quality if note.severity != "info"]
