import math

import numpy as np
import pytest

from procedures.electrocardiogram.axis import axis_change, axis_word, frontal_axis
from procedures.electrocardiogram.notches import _find_notch
from procedures.electrocardiogram.waves import LeadQrs, _measure_lead
from tests.procedures.electrocardiogram.simulated import bump

CLOCK = np.arange(400.0)
ONSET, OFFSET = 100.0, 240.0


def lead(*parts, noise=0.003, level=0.0):
    """Bumps (start ms, length ms, size mV) after the onset."""
    signal = sum((size * bump((CLOCK - ONSET - start) / length) for start, length, size in parts), np.zeros(400))
    signal = signal + level * np.clip((CLOCK - ONSET - 100) / 40, 0, 1)
    return _measure_lead(signal + 0.2, noise, ONSET, OFFSET, 1000.0)


@pytest.mark.parametrize(
    ("parts", "pattern"),
    [
        ([(0, 140, 1.0)], "R"),
        ([(0, 140, -1.0)], "QS"),
        ([(0, 30, 0.2), (30, 110, -1.0)], "rS"),
        ([(0, 30, -0.2), (30, 110, 1.0)], "qR"),
        ([(0, 30, -0.2), (30, 60, 1.0), (90, 50, -0.3)], "qRs"),
        ([(0, 40, 0.3), (40, 50, -0.8), (90, 50, 0.6)], "rSr′"),
        ([(0, 140, 0.005)], ""),
    ],
)
def test_waves_are_named(parts, pattern):
    assert lead(*parts).pattern.casefold() == pattern.casefold()


def test_capital_letters_are_for_half_a_millivolt():
    assert lead((0, 30, -0.2), (30, 110, 1.0)).pattern == "qR"
    assert lead((0, 50, -0.8), (50, 90, 0.3)).pattern == "Qr"


def test_amplitudes_are_against_the_level_at_the_onset():
    found = lead((0, 30, -0.2), (30, 60, 1.0), (90, 50, -0.3))
    assert (found.q_mv, found.r_mv, found.s_mv) == pytest.approx((0.2, 1.0, 0.3), abs=0.01)


def test_deflection_shorter_than_6_ms_is_no_wave():
    assert lead((0, 5, -0.3), (5, 135, 1.0)).pattern == "R"


def test_level_of_the_st_segment_is_no_wave():
    assert lead((0, 100, -1.0), level=0.2).pattern == "QS"


def test_r_peak_and_intrinsicoid_deflection_of_a_notched_r():
    found = lead((0, 80, 1.0), (60, 80, 0.8))
    assert found.r_peak_ms == pytest.approx(40, abs=2)
    assert found.intrinsicoid_ms == pytest.approx(100, abs=3)
    assert found.notched


def test_ratio_is_infinite_without_s_and_unknown_without_both():
    assert lead((0, 140, 1.0)).r_s_ratio == math.inf
    assert lead((0, 140, -1.0)).r_s_ratio == 0
    assert LeadQrs("").r_s_ratio is None
    assert LeadQrs("").initial_negative is None


@pytest.mark.parametrize(("sign", "depth"), [(1, 0.4), (-1, 0.4)])
def test_notch_is_found_in_either_polarity(sign, depth):
    t = np.arange(150.0)
    qrs = sign * bump(t / 150) * (1 - depth * bump((t - 50) / 40))
    found = _find_notch(qrs, 0.003, 1000.0)
    assert found.notched
    assert found.at_ms == pytest.approx(70, abs=8)


def test_slur_is_told_from_a_notch():
    t = np.arange(150.0)
    rise = np.clip(t / 40, 0, 1) * 0.5 + np.clip((t - 65) / 25, 0, 1) * 0.5
    fall = np.clip((150 - t) / 50, 0, 1)
    found = _find_notch(np.minimum(rise, fall), 0.002, 1000.0)
    assert found.slurred
    assert not found.notched


@pytest.mark.parametrize("width", [80, 120, 160, 200])
def test_smooth_wave_is_neither(width):
    found = _find_notch(bump(np.arange(float(width)) / width), 0.003, 1000.0)
    assert not found.notched
    assert not found.slurred


def test_notch_below_the_noise_is_not_claimed():
    t = np.arange(150.0)
    qrs = bump(t / 150) * (1 - 0.05 * bump((t - 55) / 40))
    assert not _find_notch(qrs, 0.05, 1000.0).notched


def test_early_and_late_notches_are_not_of_the_middle():
    t = np.arange(150.0)
    late = bump(t / 150) + 0.2 * bump((t - 110) / 30)
    assert not _find_notch(late, 0.002, 1000.0).notched


@pytest.mark.parametrize("degrees", [-150, -90, -45, 0, 30, 60, 90, 135, 180])
def test_axis_of_a_dipole_is_its_direction(degrees):
    x, y = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    # Einthoven's triangle: I at 0°, II at 60°; aVF = II − I/2
    two = x * math.cos(math.radians(60)) + y * math.sin(math.radians(60))
    assert frontal_axis(x, two - x / 2) == pytest.approx(degrees, abs=1e-9)


def test_axis_without_deflection_is_unknown():
    assert frontal_axis(0.0, 0.0) is None


@pytest.mark.parametrize(
    ("before", "after", "turn"), [(170, -170, 20), (-170, 170, -20), (10, -60, -70), (0, 180, 180)]
)
def test_axis_change_goes_the_short_way(before, after, turn):
    assert axis_change(before, after) == pytest.approx(turn)


@pytest.mark.parametrize(("degrees", "word"), [(60, "normal"), (-31, "left"), (91, "right"), (-91, "extreme")])
def test_axis_words(degrees, word):
    assert axis_word(degrees) == word
