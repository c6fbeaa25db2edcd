from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from procedures.acute_response import BeatEpoch, ResponseError, SummaryEpoch, compare
from tests.procedures.acute_response.simulated import BASELINE, Session, session


def made(seed: int = 3, **options: object) -> Session:
    return session(np.random.default_rng(seed), **options)


def run(epochs, direction: int = 1, metric: str = "dpdt_max_mmhg_per_s"):
    return compare(epochs, baseline=BASELINE, metric=metric, direction=direction)


def summarised(epoch: BeatEpoch) -> SummaryEpoch:
    v = epoch.values
    return SummaryEpoch(
        epoch.key, epoch.state, epoch.start_s, epoch.end_s, float(v.mean()), float(v.std(ddof=1)), v.size
    )


def test_sites_come_best_first_with_everything_filled_in() -> None:
    result = run(made(sites=5).epochs)
    shrunken = [s.shrunken_change_percent for s in result.sites]
    assert shrunken == sorted(shrunken, reverse=True)
    assert sum(s.probability_best for s in result.sites) == pytest.approx(1.0)
    for site in result.sites:
        assert site.low_percent < site.change_percent < site.high_percent
        assert site.paired_low_percent < site.paired_change_percent < site.paired_high_percent
        assert (site.epochs, site.beats) == (3, 45)
    assert len(result.epochs) == 31
    assert result.drift_curve.times_s.shape == result.drift_curve.values.shape == result.drift_curve.low.shape
    assert np.all(result.drift_curve.low < result.drift_curve.high)


def test_same_epochs_give_the_same_answer_to_the_last_bit() -> None:
    epochs = made().epochs
    assert [s.probability_best for s in run(epochs).sites] == [s.probability_best for s in run(epochs).sites]


def test_order_of_the_list_does_not_matter() -> None:
    epochs = made().epochs
    assert run(epochs).sites == run(epochs[::-1]).sites


def test_lower_is_better_turns_the_ranking_round() -> None:
    epochs = made(sites=5).epochs
    up, down = run(epochs), run(epochs, direction=-1, metric="tau_exponential_ms")
    assert [s.state for s in down.sites] == [s.state for s in up.sites][::-1]
    assert down.sites[-1].change_percent == pytest.approx(up.sites[0].change_percent)
    assert down.sites[0].probability_best > down.sites[-1].probability_best


def test_metric_without_a_direction_is_not_ranked() -> None:
    result = run(made().epochs, direction=0, metric="edv_ml")
    assert all(np.isnan(s.probability_best) for s in result.sites)
    assert not result.decided
    assert not {"decided", "not_decided", "measure_next"} & {a.code for a in result.advice}


@pytest.mark.parametrize("seed", range(6))
def test_typed_summaries_answer_like_the_beats_they_summarise(seed: int) -> None:
    epochs = made(seed, sites=5, beats=24).epochs
    by_beat, typed = run(epochs), run([summarised(e) for e in epochs])
    mixed = run([summarised(e) if i % 2 else e for i, e in enumerate(epochs)])
    for other in (typed, mixed):
        for a in by_beat.sites:
            b = next(s for s in other.sites if s.state == a.state)
            half = 0.5 * (a.high_percent - a.low_percent)
            assert abs(b.change_percent - a.change_percent) < 0.2 * half
            assert (b.high_percent - b.low_percent) == pytest.approx(2 * half, rel=0.2)
            assert b.paired_change_percent == pytest.approx(a.paired_change_percent)


def test_one_baseline_gives_a_wider_flagged_interval() -> None:
    epochs = made(sites=4).epochs
    first = next(e for e in epochs if e.state == BASELINE)
    alone = run([first, *(e for e in epochs if e.state != BASELINE)])
    many = {s.state: s for s in run(epochs).sites}
    for site in alone.sites:
        assert {"one_baseline", "not_between_baselines"} <= set(site.flags)
        wide = many[site.state]
        assert site.high_percent - site.low_percent > 1.2 * (wide.high_percent - wide.low_percent)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda es: [e for e in es if e.state != BASELINE], "No epoch of the baseline 'baseline'"),
        (lambda es: [e for e in es if e.state == BASELINE], "Only the baseline has been measured"),
        (lambda es: [], "no epoch with a value"),
        (lambda es: [*es, es[0]], "appears more than once"),
        (lambda es: [replace(es[0], times_s=es[0].times_s[:-1]), *es[1:]], "one time for each value"),
        (lambda es: [replace(e, values=np.full_like(e.values, np.nan)) for e in es], "no epoch with a value"),
    ],
)
def test_refuses_with_a_sentence_when(change, words: str) -> None:
    with pytest.raises(ResponseError, match=words) as caught:
        run(change(made().epochs))
    assert str(caught.value).endswith(".")


def test_missing_beats_and_epochs_are_left_out() -> None:
    epochs = made(sites=4).epochs
    values = epochs[1].values.copy()
    values[[0, 3]] = np.nan
    holes = [epochs[0], replace(epochs[1], values=values), replace(epochs[2], values=np.full(15, np.nan)), *epochs[3:]]
    result = run(holes)
    assert len(result.epochs) == len(epochs) - 1
    assert next(f for f in result.epochs if f.key == epochs[1].key).beats == 13


def test_values_through_zero_are_compared_on_the_linear_scale() -> None:
    rng = np.random.default_rng(5)
    epochs = []
    for i, (state, level) in enumerate([(BASELINE, 12.0), ("A", 9.0), (BASELINE, 12.0), ("A", 9.0), (BASELINE, 12.0)]):
        times = 40.0 * i + 0.8 * np.arange(20)
        values = level + rng.normal(0, 0.3, 20)
        values[0] = -0.5 if i == 1 else values[0]
        epochs.append(BeatEpoch(str(i), state, times[0], times[-1], times, values))
    result = run(epochs, direction=-1, metric="edp_mmhg")
    assert result.scale == "linear"
    assert "linear_scale" in result.sites[0].flags
    assert result.sites[0].change_percent == pytest.approx(-25.0, abs=3.0)


def test_negative_metric_is_compared_by_magnitude() -> None:
    epochs = made(sites=4).epochs
    turned = [replace(e, values=-e.values) for e in epochs]
    up, down = run(epochs), run(turned, direction=-1)
    assert [s.state for s in up.sites] == [s.state for s in down.sites]
    assert down.sites[0].change_percent == pytest.approx(up.sites[0].change_percent)
    assert down.epochs[0].fitted_baseline < 0


def test_zero_baseline_has_no_percent() -> None:
    typed = [
        SummaryEpoch(str(i), s, 60 * i, 60 * i + 20, m, 1.0, 10) for i, (s, m) in enumerate([(BASELINE, 0), ("A", 3)])
    ]
    with pytest.raises(ResponseError, match="mean of the baselines is zero"):
        run(typed)


def test_a_few_wild_beats_do_not_carry_an_epoch() -> None:
    epochs = made(sites=4).epochs
    values = epochs[1].values.copy()
    values[5] *= 1.8
    wild = [epochs[0], replace(epochs[1], values=values), *epochs[2:]]
    plain, shaken = run(epochs), run(wild)
    site = epochs[1].state
    a = next(s for s in plain.sites if s.state == site).change_percent
    b = next(s for s in shaken.sites if s.state == site).change_percent
    assert abs(a - b) < 0.5  # the plain mean of that epoch moves by 5 %, the site's by 1.8 %


def test_drift_is_unknown_without_repeats() -> None:
    assert run(made(sites=4).epochs[:2]).drift_percent_per_min is None


def test_drift_is_found_when_it_is_there() -> None:
    slopes = []
    for seed in range(20):
        epochs = made(seed, kind="linear", sites=5).epochs
        minutes = (epochs[-1].start_s - epochs[0].start_s) / 60.0
        slopes.append(abs(run(epochs).drift_percent_per_min * minutes))
    assert np.mean(slopes) == pytest.approx(5.0, abs=0.7)
