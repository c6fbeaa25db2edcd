"""Faults that leave a plausible number behind are named, with the epochs and the bound; clean hearts are left alone.

Hearts and faults come from ``tests.simulators.beating_heart``, which shares nothing with the engine.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from procedures.haemodynamics import Analysis, EpochWindow, PressureVolumeSignals, QualityNote, analyse
from procedures.haemodynamics.whole_recording import catheter
from tests.simulators.beating_heart import Faults, Run, Ventricle, run, sinus, spoiled

SECONDS, START_S = 26.0, 2.0
EPOCHS = (EpochWindow("baseline", 2.0, 10.0), EpochWindow("site:A", 10.0, 18.0), EpochWindow("baseline", 18.0, 26.0))
FAULT = frozenset(
    {
        "catheter_rings",
        "pressure_zero",
        "pressure_scale",
        "pressure_moved",
        "pressure_gain_moved",
        "segment_damped",
        "segment_jump",
        "volume_moved",
    }
)


@pytest.fixture(scope="module")
def heart() -> Run:
    return run(sinus(SECONDS, 0.82, np.random.default_rng(4)), SECONDS)


def analysed(made: Run, faults: Faults | None = None, *, aorta: bool = False, epochs: bool = True) -> Analysis:
    seen = spoiled(made, faults or Faults(), np.random.default_rng(5))
    keep = slice(round(START_S * 1000), None)
    return analyse(
        PressureVolumeSignals(
            1000.0,
            seen.pressure_mmhg[keep],
            segments_ml=seen.segments_ml[:, keep],
            ecg_mv=seen.ecg_mv[:, keep],
            start_s=START_S,
            aortic_mmhg=seen.aortic_mmhg[keep] if aorta else None,
        ),
        EPOCHS if epochs else (),
    )


def faults_of(found: Analysis) -> dict[str, QualityNote]:
    return {note.code: note for note in found.quality if note.code in FAULT and note.severity != "info"}


def codes(found: Analysis) -> set[str]:
    return {note.code for note in found.quality}


@pytest.mark.parametrize("aorta", [False, True])
def test_clean_heart_carries_no_remark_of_a_fault(heart: Run, aorta: bool) -> None:
    found = analysed(heart, aorta=aorta)
    assert faults_of(found) == {}
    assert ("pressure_level_not_told" in codes(found)) is not aorta
    assert "gain_not_told" not in codes(found)


def test_damped_segment_is_named_with_the_stroke_volume_it_may_cost(heart: Run) -> None:
    found = analysed(heart, Faults(damped_segment=(2, 0.05)))
    note = faults_of(found)["segment_damped"]
    assert note.channel == "V_3"
    lost = 1 - found.epochs[0].metrics["sv_ml"].mean / analysed(heart).epochs[0].metrics["sv_ml"].mean
    assert note.bound_percent["sv_ml"] == pytest.approx(100 * lost, abs=4)


def test_segment_damped_in_one_epoch_touches_that_epoch(heart: Run) -> None:
    segments = heart.segments_ml.copy()
    middle = slice(10_000, 18_000)
    segments[1, middle] = segments[1, middle].mean() + 0.05 * (segments[1, middle] - segments[1, middle].mean())
    note = faults_of(analysed(replace(heart, segments_ml=segments)))["segment_damped"]
    assert note.touches == ("site:A",)


def test_jump_of_one_segment_is_named_with_its_time_size_and_epochs(heart: Run) -> None:
    note = faults_of(analysed(heart, Faults(jump=(1, 13.0, 25.0))))["segment_jump"]
    assert (note.channel, note.epoch) == ("V_2", "site:A")
    assert note.touches == ("site:A", "baseline")
    assert "+25 mL at 13 s" in note.message or "+25 mL at 12 s" in note.message


def test_level_shared_by_all_segments_is_no_jump_of_one(heart: Run) -> None:
    segments = heart.segments_ml + np.where(heart.time_s > 13, 8.0, 0.0)
    assert "segment_jump" not in codes(analysed(replace(heart, segments_ml=segments)))


@pytest.mark.parametrize("damping", [0.1, 0.2])
def test_ringing_catheter_is_named_with_its_frequency(heart: Run, damping: float) -> None:
    found = analysed(heart, Faults(catheter=(12.0, damping)))
    note = faults_of(found)["catheter_rings"]
    assert "catheter_not_told" not in codes(found)
    assert any(f"at about {hertz} Hz" in note.message for hertz in (11, 12, 13))
    clean = analysed(heart).epochs[0].metrics["dpdt_max_mmhg_per_s"].mean
    error = 100 * abs(found.epochs[0].metrics["dpdt_max_mmhg_per_s"].mean / clean - 1)
    assert note.bound_percent["dpdt_max_mmhg_per_s"] == pytest.approx(error, abs=8)


def test_slow_catheter_cannot_be_told_and_the_page_says_so(heart: Run) -> None:
    found = analysed(heart, Faults(catheter=(8.0, 1.0)))
    note = next(note for note in found.quality if note.code == "catheter_not_told")
    assert "flush" in note.message


@pytest.mark.parametrize("aorta", [False, True])
@pytest.mark.parametrize("zero", [20.0, -25.0])
def test_zero_that_is_off_is_named(heart: Run, zero: float, aorta: bool) -> None:
    found = analysed(heart, Faults(zero_mmhg=zero), aorta=aorta)
    assert "pressure_zero" in faults_of(found) or "zero_shift" in codes(found)


def test_centimetres_of_water_are_named_where_the_aorta_is_recorded(heart: Run) -> None:
    note = faults_of(analysed(heart, Faults(pressure_gain=1.36), aorta=True))["pressure_scale"]
    assert "cmH2O" in note.message
    assert note.bound_percent["dpdt_max_mmhg_per_s"] == pytest.approx(26, abs=1)
    assert "pressure_level_not_told" in codes(analysed(heart, Faults(pressure_gain=1.36)))


def test_zero_that_moves_during_a_site_is_told_by_the_aorta_and_by_the_returning_baseline(heart: Run) -> None:
    moved = replace(heart, pressure_mmhg=heart.pressure_mmhg + np.where(heart.time_s > 10, 12.0, 0.0))
    assert faults_of(analysed(moved))["pressure_moved"].touches == ("site:A", "baseline")
    only_site = heart.pressure_mmhg + np.where((heart.time_s > 10) & (heart.time_s < 18), 12.0, 0.0)
    note = faults_of(analysed(replace(heart, pressure_mmhg=only_site), aorta=True))["pressure_moved"]
    assert note.touches == ("site:A",)


def test_gain_that_moves_between_baselines_is_named(heart: Run) -> None:
    moved = heart.pressure_mmhg * np.where(heart.time_s > 10, 1.25, 1.0)
    note = faults_of(analysed(replace(heart, pressure_mmhg=moved)))["pressure_gain_moved"]
    assert note.bound_percent["dpdt_max_mmhg_per_s"] == pytest.approx(25, abs=3)


def test_volume_level_that_moves_between_baselines_is_named(heart: Run) -> None:
    moved = heart.segments_ml + np.where(heart.time_s > 10, 6.0, 0.0)
    assert faults_of(analysed(replace(heart, segments_ml=moved)))["volume_moved"].touches == ("site:A", "baseline")


def test_single_baseline_says_that_a_change_of_gain_cannot_be_told(heart: Run) -> None:
    keep = slice(2000, 18_000)
    signals = PressureVolumeSignals(
        1000.0, heart.pressure_mmhg[keep], segments_ml=heart.segments_ml[:, keep], start_s=2.0
    )
    assert "gain_not_told" in codes(analyse(signals, EPOCHS[:2]))


def test_segments_tapering_the_wrong_way_are_asked_about(heart: Run) -> None:
    taper = np.array([0.6, 0.85, 1.1, 1.2, 1.25])[:, None]
    apex_first, base_first = heart.segments_ml * taper, heart.segments_ml * taper[::-1]
    assert not codes(analysed(replace(heart, segments_ml=apex_first))) & {"segment_order", "segment_order_not_told"}
    assert "segment_order" in codes(analysed(replace(heart, segments_ml=base_first)))
    assert "segment_order_not_told" in codes(analysed(heart))


def test_other_clean_hearts_carry_no_remark_of_a_fault() -> None:
    rng = np.random.default_rng(17)
    for cycle, strength, filling in ((0.62, 1.4, 12.0), (1.05, 0.6, 21.0)):
        made = run(sinus(18.0, cycle, rng), 18.0, Ventricle(e_max=strength, filling_pressure=filling))
        assert faults_of(analysed(made, aorta=True, epochs=False)) == {}


def test_ringing_without_a_contraction_is_not_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """In noise alone a resonance may be found, but no upstroke to say what it does to dP/dt max."""
    monkeypatch.setattr(catheter, "_ringing", lambda *_: catheter.Ringing(12.0, 0.2, 0.9))
    (note,) = catheter._ringing_notes(np.full(20_000, 80.0), 1000.0)
    assert (note.code, note.severity) == ("catheter_not_told", "info")
