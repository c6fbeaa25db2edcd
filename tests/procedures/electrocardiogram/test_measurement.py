import numpy as np
import pytest

from procedures.electrocardiogram import LEADS, ElectrocardiogramError, electrocardiogram, measure
from procedures.electrocardiogram.beats import _dominant
from tests.procedures.electrocardiogram.simulated import record

RATE = 1000.0


@pytest.fixture(scope="module")
def plain():
    return record("bells", 130, 21)


def measured(leads, rate=RATE):
    return measure(electrocardiogram(leads, rate))


def test_derived_limb_leads_are_those_recorded(plain):
    pair = {name: plain.leads[name] for name in ("II", "III", "V1")}
    derived = electrocardiogram(pair, RATE)
    assert derived.derived == ("I", "aVR", "aVL", "aVF")
    for name, row in zip(derived.leads, derived.samples_mv, strict=True):
        np.testing.assert_allclose(row, plain.leads[name], atol=1e-12)


def test_independent_leads_leave_out_what_follows_from_others(plain):
    ecg = electrocardiogram(plain.leads, RATE)
    assert [ecg.leads[i] for i in ecg.independent] == ["I", "II", "V1", "V2", "V3", "V4", "V5", "V6"]


def test_flat_lead_is_left_out_and_said(plain):
    found = measured({**plain.leads, "V3": np.zeros_like(plain.leads["V3"])})
    assert "V3" not in found.leads
    assert any("V3" in note for note in found.notes)


def test_rr_is_that_of_the_record(plain):
    assert measured(plain.leads).rr_ms == pytest.approx(np.median(np.diff(plain.onsets_ms)), abs=3)


def test_a_lost_stretch_costs_beats_not_the_measurement(plain):
    holed = {name: lead.copy() for name, lead in plain.leads.items()}
    holed["V2"][3000:4200] = np.nan
    whole, found = measured(plain.leads), measured(holed)
    assert found.beat.beats.size < whole.beat.beats.size
    assert found.qrs_duration_ms == pytest.approx(whole.qrs_duration_ms, abs=4)
    assert all(np.isfinite(lead.r_mv) for lead in found.leads.values())


def test_ectopic_beats_do_not_enter_the_average():
    usual, other = record("bells", 110, 31, noise_mv=0.01), record("dipole", 180, 32, noise_mv=0.01, peak_mv=2.0)
    leads = {name: lead.copy() for name, lead in usual.leads.items()}
    for onset in usual.onsets_ms[3::4]:
        at, source = round(onset) - 100, round(other.onsets_ms[2]) - 100
        for name in leads:
            leads[name][at : at + 400] = other.leads[name][source : source + 400]
    found = measured(leads)
    assert found.beat.others >= 2
    assert found.qrs_duration_ms == pytest.approx(110, abs=8)


def test_amplitudes_are_those_of_the_shape():
    def shape(s):
        size = np.array([0.5, 1, -1, -0.5, 0.2, 0.8, 1, 0.7])[:, None]
        return size * np.where((s > 0) & (s < 1), 0.5 - 0.5 * np.cos(2 * np.pi * s), 0)

    made = record("", 120, 8, shape=shape, noise_mv=0.005, peak_mv=1.0)
    leads = measured(made.leads).leads
    # the ST level of the simulation blends in late in the QRS
    assert leads["II"].pattern == "R"
    assert leads["II"].r_mv == pytest.approx(1.0, abs=0.05)
    assert leads["V1"].pattern == "QS"
    assert leads["V1"].s_mv == pytest.approx(1.0, abs=0.05)
    assert leads["V5"].r_peak_ms == pytest.approx(60, abs=5)


@pytest.mark.parametrize("latency", [10.0, 30.0])
def test_stimuli_are_found_timed_and_blanked(latency):
    made = record("cubic spline", 160, 41, stimulus_before_ms=latency)
    without = record("cubic spline", 160, 41)
    found = measured(made.leads)
    assert found.paced
    assert found.latency_ms == pytest.approx(latency, abs=6)
    unpaced = measured(without.leads)
    assert not unpaced.paced
    assert unpaced.latency_ms is None
    for name in LEADS:
        assert found.leads[name].r_mv == pytest.approx(unpaced.leads[name].r_mv, abs=0.06)


def test_peaked_narrow_qrs_is_no_stimulus():
    def peak(s):
        return np.linspace(0.5, 1.5, 8)[:, None] * np.clip(1 - np.abs(2 * s - 1), 0, None)

    made = record("", 60, 2, shape=peak, peak_mv=3.0, noise_mv=0.005)
    assert not measured(made.leads).paced


def test_mains_are_subtracted_and_said():
    made = record("bells", 130, 21, mains_mv=0.1)
    found, clean = measured(made.leads), measured(record("bells", 130, 21).leads)
    assert any("50 Hz" in note for note in found.notes)
    assert not any("Hz" in note for note in clean.notes)
    assert found.qrs_duration_ms == pytest.approx(clean.qrs_duration_ms, abs=3)


def test_most_frequent_shape_wins():
    rng = np.random.default_rng(5)
    one, two = rng.normal(size=(2, 3, 50))
    beats = np.stack([one, two, one, one, two]) + rng.normal(size=(5, 3, 50)) * 0.05
    assert _dominant(beats).tolist() == [0, 2, 3]


@pytest.mark.parametrize(
    ("leads", "rate", "words"),
    [
        ({"V9": np.ones(5000)}, 1000.0, "V9"),
        ({"I": np.arange(5000.0), "II": np.arange(4000.0)}, 1000.0, "length"),
        ({"I": np.arange(5000.0)}, 100.0, "100 Hz"),
        ({"I": np.zeros(5000)}, 1000.0, "has a signal"),
        ({"I": np.arange(500.0)}, 1000.0, "0.50 s"),
        ({}, 1000.0, "has a signal"),
    ],
)
def test_unusable_leads_are_refused_in_words(leads, rate, words):
    with pytest.raises(ElectrocardiogramError, match=words):
        electrocardiogram(leads, rate)
