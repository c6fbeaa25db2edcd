"""The paced record against what its sources, its stimulus and the limb leads are by definition."""

import numpy as np
import pytest

from tests.simulators.paced_ecg import LEADS, Settings, record, sources, stimulus


def test_depolarisation_is_silent_outside_the_qrs_and_present_up_to_its_ends():
    s = Settings(qrs_ms=170, notch=0.6)
    t = np.arange(0, 600, 0.5)
    size = np.linalg.norm(sources(t, 100.0, s)[0], axis=0)
    present = t[size > 1e-12]
    assert present[0] == pytest.approx(100, abs=0.5)
    assert present[-1] == pytest.approx(270, abs=0.5)


def test_truth_does_not_move_with_filter_noise_voltage_or_t_wave():
    plain = record(Settings(beats=2, stimulus_before_ms=None))
    for other in (
        Settings(beats=2, low_pass_hz=40),
        Settings(beats=2, gain=0.2, noise_mv=0.02),
        Settings(beats=2, overlap_ms=20),
        Settings(beats=2, stimulus_before_ms=0, after_potential_mv=1),
    ):
        made = record(other)
        assert made.qrs_ms == plain.qrs_ms == 160
        assert not np.allclose(made.leads_mv, plain.leads_mv)


def test_limb_leads_obey_einthoven_and_goldberger_with_noise_too():
    lead = dict(zip(LEADS, record(Settings(beats=2, noise_mv=0.03)).leads_mv, strict=True))
    assert lead["I"] + lead["III"] == pytest.approx(lead["II"])
    assert lead["aVR"] + lead["aVL"] + lead["aVF"] == pytest.approx(np.zeros(lead["I"].size), abs=1e-12)


def test_after_potential_decays_with_its_time_constant_and_has_the_other_sign():
    s = Settings(after_potential_mv=0.8, after_potential_ms=9.0)
    t = np.arange(0, 60, 0.125)
    wave = stimulus(t, 10.0, s)
    assert wave.max() == 3
    tail = wave[t >= 10.5]
    assert tail[0] == pytest.approx(-0.8)
    assert tail[72] / tail[0] == pytest.approx(np.exp(-1))  # 9 ms later


def test_t_wave_begins_where_asked_and_overlap_adds_to_the_qrs():
    t = np.arange(0, 600, 0.5)
    for overlap in (-50.0, 20.0):
        wave = np.linalg.norm(sources(t, 100.0, Settings(overlap_ms=overlap))[1], axis=0)
        assert t[wave > 0][0] == pytest.approx(260 - overlap, abs=1)


def test_low_pass_halves_the_power_at_its_corner_and_voltage_scales():
    full, low = (record(Settings(beats=2, stimulus_before_ms=None, gain=gain)).leads_mv for gain in (1, 0.25))
    assert low == pytest.approx(0.25 * full)
    spike, filtered = (
        record(Settings(beats=10, gain=0, stimulus_mv=20, low_pass_hz=hz)).leads_mv[1] for hz in (None, 40)
    )
    ratio = np.abs(np.fft.rfft(filtered)) / np.maximum(np.abs(np.fft.rfft(spike)), 1e-12)
    frequency = np.fft.rfftfreq(spike.size, 1e-3)
    # Ten pulses a 750 ms apart have a line at 40 Hz exactly.
    assert ratio[np.argmin(np.abs(frequency - 40))] == pytest.approx(1 / np.sqrt(2), rel=0.01)


def test_beats_that_would_overlap_are_refused():
    with pytest.raises(ValueError, match="run into one another"):
        record(Settings(rate=170, qrs_ms=200))
