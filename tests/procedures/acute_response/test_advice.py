from __future__ import annotations

from dataclasses import replace

import numpy as np

from procedures.acute_response import BeatEpoch, Comparison, Settings, compare
from tests.procedures.acute_response.simulated import BASELINE, Noise, session
from tests.procedures.acute_response.team import Patient, follow_advice


def run(epochs, **settings: float) -> Comparison:
    return compare(epochs, baseline=BASELINE, metric="dpdt_max_mmhg_per_s", settings=Settings(**settings))


def advice(result: Comparison, code: str):
    return next((a for a in result.advice if a.code == code), None)


def test_clear_winner_is_decided() -> None:
    result = run(session(np.random.default_rng(1), truth=[15.0, 3.0, 2.0, 1.0]).epochs)
    assert result.decided
    assert advice(result, "decided").state == "S1"
    assert "S1 is the best site" in advice(result, "decided").sentence
    assert advice(result, "measure_next") is None


def test_near_tie_of_three_is_not_decided_and_says_what_to_measure() -> None:
    made = session(np.random.default_rng(2), truth=[6.0, 6.1, 5.9, -4.0], visits=1)
    result = run(made.epochs)
    assert not result.decided
    assert result.probability_leader_near_best < 0.95
    assert advice(result, "not_decided").number == 100 * result.probability_leader_near_best
    assert advice(result, "measure_next").state in {"S1", "S2", "S3"}
    assert advice(result, "alternations").number >= 1


def test_undecided_never_reads_like_the_probability_that_decides() -> None:
    for seed in range(12):
        epochs = session(np.random.default_rng(seed), truth=[6.0, 5.0, 3.0]).epochs
        limit = run(epochs).probability_leader_near_best + 1e-4
        item = advice(run(epochs, decided_probability=limit), "not_decided")
        shown = item.sentence.rsplit("probability of ", 1)[1]
        assert shown.startswith("more than 99") or float(shown.split()[0]) < 100 * limit


def test_every_sentence_holds_its_number() -> None:
    for seed in range(30):
        result = run(session(np.random.default_rng(seed), visits=1 + seed % 3, beats=6 + seed % 5).epochs[: 5 + seed])
        for item in result.advice:
            assert item.sentence.endswith(".")
            assert any(c.isdigit() for c in item.sentence)
            assert item.number is not None


def test_baseline_is_overdue_after_a_run_of_sites() -> None:
    rng = np.random.default_rng(4)
    made = session(rng, "walking", sites=6, visits=1, sites_per_baseline=6, noise=Noise(drift=0.10))
    until_site = made.epochs[:6]
    assert until_site[-1].state != BASELINE
    item = advice(run(until_site), "baseline_overdue")
    assert item.state == BASELINE
    assert "A baseline is overdue" in item.sentence
    assert advice(run(made.epochs), "baseline_overdue") is None  # the last epoch is a baseline


def test_epoch_that_was_still_settling_is_named() -> None:
    epochs = session(np.random.default_rng(6), sites=4, beats=30).epochs
    moving = epochs[3]
    pulled = moving.values * (1.0 - 0.12 * np.exp(-np.arange(30) / 8.0))
    result = run([*epochs[:3], replace(moving, values=pulled), *epochs[4:]])
    item = advice(result, "settling_too_short")
    assert item.sentence.startswith(f"{moving.state}, visit 1, still changed by")
    assert item.state == moving.state
    assert advice(run(epochs), "settling_too_short") is None


def test_steady_epochs_are_rarely_called_unsettled() -> None:
    called = sum(
        advice(run(session(np.random.default_rng(s), beats=12).epochs), "settling_too_short") is not None
        for s in range(100)
    )
    assert called <= 5


def test_epoch_without_whole_breaths_is_named() -> None:
    epochs = session(np.random.default_rng(7), sites=4, beats=25).epochs
    short = epochs[4]
    cut = BeatEpoch(short.key, short.state, short.start_s, short.times_s[5], short.times_s[:6], short.values[:6])
    item = advice(run([*epochs[:4], cut, *epochs[5:]]), "epoch_too_short")
    assert item.sentence.startswith("Baseline number 3 contains only")
    assert item.number < 2.0


def test_single_site_has_no_rival() -> None:
    epochs = session(np.random.default_rng(8), truth=[6.0]).epochs
    result = run(epochs)
    assert not result.decided
    assert advice(result, "one_site") is not None


def test_team_that_follows_the_advice_ends_near_the_best_site_early() -> None:
    courses = [follow_advice(Patient(seed, "walking"), 40) for seed in range(40)]
    decided = [c for c in courses if c.decided_at is not None]
    assert len(decided) >= 36
    assert np.mean([c.right[-1] for c in courses]) >= 0.88  # 0.95 less two SE of 40 runs
    assert np.mean([c.epochs for c in courses]) <= 22
