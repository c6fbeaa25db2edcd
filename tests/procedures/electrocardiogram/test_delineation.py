"""Onset and offset against the exact support of simulated shapes, over noise, width, stimuli and mains."""

import numpy as np
import pytest

from procedures.electrocardiogram import ElectrocardiogramError, electrocardiogram, measure
from tests.procedures.electrocardiogram.errors import errors, many
from tests.procedures.electrocardiogram.simulated import FAMILIES, bump, record

WIDTHS = (80, 115, 150, 185, 220)


@pytest.fixture(scope="module")
def over_width_and_noise():
    return {(width, noise): many((width,), (noise,), seeds=1) for width in WIDTHS for noise in (0.005, 0.02, 0.05)}


def spread(found):
    durations = np.array([e.duration for e in found])
    return durations.mean(), durations.std()


def test_duration_is_within_3_ms_on_average_and_8_ms_in_spread(over_width_and_noise):
    mean, sd = spread([e for found in over_width_and_noise.values() for e in found])
    assert abs(mean) < 3
    assert sd < 8


def test_onset_and_offset_are_each_within_3_ms_on_average(over_width_and_noise):
    everything = [e for found in over_width_and_noise.values() for e in found]
    assert abs(np.mean([e.onset for e in everything])) < 3
    assert abs(np.mean([e.offset for e in everything])) < 3


@pytest.mark.parametrize("width", WIDTHS)
def test_no_width_is_biased(over_width_and_noise, width):
    mean, sd = spread([e for (w, _), found in over_width_and_noise.items() if w == width for e in found])
    assert abs(mean) < 3
    assert sd < 8


def test_error_does_not_grow_with_width(over_width_and_noise):
    pairs = [(width, e.duration) for (width, _), found in over_width_and_noise.items() for e in found]
    widths, durations = np.array(pairs).T
    # less than 3 ms from the narrowest to the widest
    assert abs(np.polyfit(widths, durations, 1)[0]) * (220 - 80) < 3


@pytest.mark.parametrize("noise", [0.005, 0.02, 0.05])
def test_no_noise_level_is_biased(over_width_and_noise, noise):
    mean, sd = spread([e for (_, n), found in over_width_and_noise.items() if n == noise for e in found])
    assert abs(mean) < 3
    assert sd < 8


def test_stated_uncertainty_covers_the_errors_and_follows_the_noise(over_width_and_noise):
    everything = [e for found in over_width_and_noise.values() for e in found]
    inside = np.mean([abs(e.duration) < 2 * e.duration_sd for e in everything])
    assert inside > 0.85
    low, high = (
        np.mean([e.duration_sd for (_, n), found in over_width_and_noise.items() if n == noise for e in found])
        for noise in (0.005, 0.05)
    )
    assert high > 1.3 * low


@pytest.mark.parametrize(
    "conditions",
    [
        {"stimulus_before_ms": 15.0},
        {"stimulus_before_ms": 40.0},
        {"stimulus_before_ms": 0.0},
        {"mains_mv": 0.05},
        {"wander_mv": 0.5},
        {"rate_hz": 500.0},
        {"rate_hz": 250.0},
    ],
    ids=str,
)
def test_duration_holds_under(conditions):
    mean, sd = spread(many((90, 150, 210), (0.02,), seeds=1, **conditions))
    assert abs(mean) < 3
    assert sd < 8


@pytest.mark.parametrize("depth", [0.3, 0.9])
def test_notches_do_not_split_the_qrs(depth):
    size = np.random.default_rng(3).normal(size=(8, 1))

    def notched(s):
        return size * (bump(s) * (1 - depth * bump((s - 0.4) / 0.2)))

    found = [errors(record("", width, 7 + width, shape=notched, noise_mv=0.01)) for width in (120, 160, 200)]
    assert max(abs(e.duration) for e in found) < 8


def test_quiet_middle_of_30_ms_belongs_to_the_qrs():
    size = np.random.default_rng(4).normal(size=(8, 1))

    def two_parts(s):
        return size * (bump(s / 0.4) - 0.8 * bump((s - 0.6) / 0.4))

    found = errors(record("", 150, 5, shape=two_parts, noise_mv=0.01))
    assert abs(found.duration) < 8


def test_noise_alone_is_refused():
    rng = np.random.default_rng(1)
    ecg = electrocardiogram({name: rng.normal(size=8000) * 0.05 for name in ("I", "II", "V1", "V6")}, 1000.0)
    with pytest.raises(ElectrocardiogramError, match="QRS"):
        measure(ecg)


def test_threshold_follows_noise_and_velocity():
    """Not a fixed value: it rises with the size of the QRS, and with the noise once that matters."""

    def thresholds(**conditions):
        made = record("bells", 140, 11, **conditions)
        limits = measure(electrocardiogram(made.leads, made.rate_hz)).delineation
        return limits.onset.threshold_mv_per_s, limits.velocity_noise_mv_per_s, limits.velocity_peak_mv_per_s

    quiet, quiet_noise, quiet_peak = thresholds(noise_mv=0.01)
    _, louder_noise, _ = thresholds(noise_mv=0.02)
    noisy, noisy_noise, noisy_peak = thresholds(noise_mv=0.2)
    small, _, _ = thresholds(noise_mv=0.01, peak_mv=0.6)
    assert louder_noise == pytest.approx(2 * quiet_noise, rel=0.1)
    # the slope is fitted over longer windows in noise, so its noise grows less than the signal's
    assert 2 * quiet_noise < noisy_noise < 20 * quiet_noise
    assert noisy / noisy_peak > 1.3 * quiet / quiet_peak
    assert small < 0.7 * quiet


@pytest.mark.parametrize("pause", [0.0, 20.0, 40.0])
def test_tall_t_wave_close_behind_is_no_part_of_the_qrs(pause):
    """A T wave of two thirds of the QRS and 200 ms, opposite to it, as in bundle branch block."""
    size = np.random.default_rng(6).normal(size=(8, 1))

    def with_t_wave(s):
        at = s * 140
        return size * (bump(s * 1.5) + 0.6 * bump(s * 2 - 1) - 0.6 * bump((at - 140 - pause) / 200))

    found = errors(record("", 140, 9, shape=with_t_wave, noise_mv=0.01))
    assert abs(found.offset) < 8
    assert abs(found.onset) < 8


def t_wave_behind(family, width, size, pause, length, seed=0):
    """Error of the offset with a T wave along the mean QRS vector, opposite to it, ``size`` times the QRS's peak."""
    rng = np.random.default_rng(9000 + seed)
    qrs = FAMILIES[family](rng)
    grid = qrs(np.linspace(0, 1, 400))
    peak = np.abs(grid).max()
    direction = grid.mean(axis=1, keepdims=True) + 0.075 * peak * rng.normal(size=(8, 1))
    recovery = -size * peak * direction / np.abs(direction).max()

    def shape(s):
        return qrs(s) + recovery * bump(((s - 1) * width - pause) / length)

    return errors(record("", width, seed, shape=shape, noise_mv=0.01))


def test_tall_t_waves_are_rarely_taken_into_the_qrs_and_never_without_a_wide_uncertainty():
    """Directly behind the QRS and of 0.6 and 0.8 of its height, where no pause tells the one from the other."""
    found = [
        t_wave_behind(family, width, size, 0.0, length)
        for size in (0.6, 0.8)
        for family in FAMILIES
        for width in (90, 140, 190)
        for length in (160.0, 220.0)
    ]
    off = [e for e in found if abs(e.offset) > 20]
    assert len(off) <= 2
    assert all(abs(e.offset) < 2 * e.duration_sd for e in off)
    assert abs(np.median([e.offset for e in found])) < 2


@pytest.mark.parametrize(("width", "seed"), [(150, 3), (150, 6), (175, 6), (200, 1), (200, 7)])
def test_late_slow_deflection_is_not_cut_off_and_called_sure(width, seed):
    """Five notched records of which the end was once put 57 to 104 ms too early, at a stated SD of about 3 ms.

    The second is still 17 ms short without being in doubt: its last deflection is small.
    """
    found = errors(record("dipole", width, 77000 + 1000 * width + seed, seconds=6.0))
    assert abs(found.offset) < max(18.0, 2.1 * found.duration_sd)


def test_slow_wave_that_may_be_either_is_said():
    """A late wave of 160 ms with nearly half the slope of the rest: QRS or T, no rule can tell."""
    size = np.random.default_rng(6).normal(size=(8, 1))

    def slow_end(s):
        return size * (bump(s * 4) + 0.85 * bump((s - 0.27) / 0.5))

    made = record("", 320, 9, shape=slow_end, noise_mv=0.01)
    assert any("slow wave" in note for note in measure(electrocardiogram(made.leads, 1000.0)).notes)
    plain = record("bells", 140, 9)
    assert not any("slow wave" in note for note in measure(electrocardiogram(plain.leads, 1000.0)).notes)
