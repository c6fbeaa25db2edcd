"""Ectopic beats are refused, and breathing is not taken for ectopy: sensitivity and precision over many recordings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from procedures.haemodynamics import Settings, analyse
from procedures.haemodynamics.beats.r_waves import _find_r_waves
from procedures.haemodynamics.refusal.reasons import _beats_after
from procedures.haemodynamics.refusal.rhythm import _judge_rhythm
from tests.procedures.haemodynamics.generator import Made, make, plan

DURATION_S = 60.0


def many(count: int, seed: int) -> list[Made]:
    """Recordings of a minute at 45 to 120 a minute with up to one ectopic beat in ten, breathing ±5 %."""
    rng = np.random.default_rng(seed)
    plans = [
        plan(
            rng,
            DURATION_S,
            rate_per_min=float(rng.uniform(45, 120)),
            ectopic_share=float(rng.choice([0.0, 0.04, 0.1])),
            exchange_ml=5.0,
        )
        for _ in range(count)
    ]
    return [item for first in range(0, count, 50) for item in make(plans[first : first + 50], DURATION_S)]


def tally(recordings: list[Made], ecg: bool) -> dict[str, int]:
    """True ectopic beats found and missed, beats wrongly called ectopic or outliers, R waves found, missed, false."""
    counts = dict.fromkeys(("found", "missed", "false", "outlier", "r_found", "r_missed", "r_false"), 0)
    for seed, recording in enumerate(recordings):
        signals = recording.signals(np.random.default_rng(seed), noise=1.0, hum=0.5, ecg=ecg)
        beats, truth = analyse(signals).beats, recording.plan
        start = beats.time_s - (0.0 if ecg else 0.06)
        nearest = np.abs(start[:, None] - truth.r_wave_s).argmin(axis=1)
        real = truth.ectopic[nearest] & (np.abs(start - truth.r_wave_s[nearest]) < 0.15)
        called = beats.refused == "ectopic"
        counts["found"] += int((real & called).sum())
        counts["false"] += int((called & ~real).sum())
        counts["outlier"] += int((beats.refused == "outlier").sum())
        within = truth.ectopic & (truth.r_wave_s > start[0]) & (truth.r_wave_s < start[-1] + 0.05)
        counts["missed"] += int(within.sum() - (real & called).sum())
        if signals.ecg_mv is not None:
            found = _find_r_waves(signals.ecg_mv, 1000.0) / 1000
            inner = truth.r_wave_s[(truth.r_wave_s > 0.2) & (truth.r_wave_s < DURATION_S - 0.2)]
            apart = np.abs(inner[:, None] - found).min(axis=1)
            counts["r_found"] += int((apart < 0.05).sum())
            counts["r_missed"] += int((apart >= 0.05).sum())
            counts["r_false"] += int((np.abs(found[:, None] - truth.r_wave_s).min(axis=1) > 0.05).sum())
    return counts


def check(recordings: list[Made], ecg: bool) -> None:
    counts = tally(recordings, ecg)
    assert counts["found"] > len(recordings)  # else the shares below mean nothing
    assert counts["found"] / (counts["found"] + counts["missed"]) >= 0.98
    assert counts["found"] / (counts["found"] + counts["false"]) >= 0.98
    assert counts["outlier"] <= 0.002 * 60 * len(recordings)
    if ecg:
        assert counts["r_found"] / (counts["r_found"] + counts["r_missed"]) >= 0.998
        assert counts["r_found"] / (counts["r_found"] + counts["r_false"]) >= 0.998


@pytest.mark.slow
@pytest.mark.parametrize("ecg", [True, False])
def test_ectopic_beats_in_forty_recordings(ecg: bool) -> None:
    check(many(40, seed=32), ecg)  # two hundred: tests/bench/bench_refusal.py


def judged(intervals: list[float], settings: Settings | None = None) -> np.ndarray:
    """Beats called ectopic in a train of intervals, with pressures that are all alike."""
    mark = np.concatenate(([0.0], np.cumsum(intervals)))
    group = np.zeros(mark.size - 1, dtype=np.int64)
    verdict = _judge_rhythm(
        mark[:-1], mark[1:], {"p_max_mmhg": np.full(group.size, 120.0)}, group, settings or Settings()
    )
    return np.flatnonzero(verdict.ectopic)


def test_premature_beat_with_and_without_a_pause() -> None:
    steady = [0.8] * 8
    assert judged([*steady, 0.55, 1.05, *steady]).tolist() == [9]
    assert judged([*steady, 0.4, 0.8, *steady]).tolist() == [9]  # interpolated: no pause follows
    assert judged([*steady, 0.73, 0.87, *steady]).tolist() == [9]  # barely early, but compensated
    assert judged([*steady, 0.73, 0.80, *steady]).size == 0


def test_couplet_is_refused_whole() -> None:
    assert judged([0.8] * 8 + [0.5, 0.45, 1.1] + [0.8] * 8).tolist() == [9, 10]


def test_lasting_change_of_rate_is_no_ectopy() -> None:
    assert judged([0.9] * 10 + [0.6] * 10).size == 0
    assert judged([0.6] * 10 + [0.9] * 10).size == 0


def test_breathing_and_a_missed_pulse_are_no_ectopy() -> None:
    phase = np.arange(40) * 2 * np.pi / 4.7
    assert judged(list(0.8 * (1 + 0.05 * np.sin(phase)))).size == 0
    assert judged([0.8] * 8 + [1.6] + [0.8] * 8).size == 0


def test_irregular_rhythm_is_not_judged_by_time() -> None:
    rng = np.random.default_rng(3)
    assert judged(list(0.75 * np.clip(1 + 0.22 * rng.standard_normal(60), 0.5, 1.7))).size == 0


def test_beats_after_ectopy() -> None:
    flags = np.array([False, True, True, False, False])
    assert _beats_after(flags, 1).tolist() == [False, False, False, True, False]
    assert _beats_after(flags, 2).tolist() == [False, False, False, True, True]
    assert not _beats_after(flags, 0).any()


def test_settings_decide_how_much_is_refused(made: dict[str, Made]) -> None:
    signals = made["ectopic"].signals()
    usual = analyse(signals, settings=replace(Settings(), post_ectopic_beats=1)).beats.refused
    more = analyse(signals).beats.refused
    assert (usual == "ectopic").sum() == made["ectopic"].plan.ectopic[made["ectopic"].plan.r_wave_s > 0.2].sum() > 0
    assert (more == "post_ectopic").sum() == 2 * (usual == "post_ectopic").sum()


def test_cycle_cut_short_by_ectopy_has_no_heart_rate(made: dict[str, Made]) -> None:
    beats = analyse(made["ectopic"].signals()).beats
    before = np.flatnonzero(beats.refused == "ectopic") - 1
    assert np.isnan(beats.metrics["heart_rate_per_min"][before]).all()
    assert np.isfinite(beats.metrics["sv_ml"][before]).all()
