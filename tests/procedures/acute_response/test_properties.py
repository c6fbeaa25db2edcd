from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from procedures.acute_response import compare
from tests.procedures.acute_response.simulated import BASELINE, DRIFTS, session


def run(epochs):
    return compare(epochs, baseline=BASELINE, metric="dpdt_max_mmhg_per_s")


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000), factor=st.floats(1e-3, 1e3), kind=st.sampled_from(DRIFTS))
def test_scaling_a_metric_leaves_percentages_alone(seed: int, factor: float, kind: str) -> None:
    epochs = session(np.random.default_rng(seed), kind).epochs
    plain, scaled = run(epochs), run([replace(e, values=e.values * factor) for e in epochs])
    for a, b in zip(plain.sites, scaled.sites, strict=True):
        assert a.state == b.state
        assert (a.change_percent, a.low_percent, a.high_percent) == pytest.approx(
            (b.change_percent, b.low_percent, b.high_percent), abs=1e-6
        )
        assert a.probability_best == pytest.approx(b.probability_best, abs=2e-3)
        assert a.paired_change_percent == pytest.approx(b.paired_change_percent, abs=1e-8)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000), data=st.data())
def test_relabelling_sites_permutes_results(seed: int, data: st.DataObject) -> None:
    epochs = session(np.random.default_rng(seed), "walking").epochs
    names = sorted({e.state for e in epochs} - {BASELINE})
    new = dict(zip(names, data.draw(st.permutations(names)), strict=True)) | {BASELINE: BASELINE}
    renamed = run([replace(e, state=new[e.state]) for e in epochs])
    assert [replace(s, state=new[s.state]) for s in run(epochs).sites] == list(renamed.sites)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000), shift=st.floats(-1e5, 1e5))
def test_starting_the_clock_elsewhere_changes_nothing(seed: int, shift: float) -> None:
    epochs = session(np.random.default_rng(seed), "sinusoidal").epochs
    moved = [replace(e, start_s=e.start_s + shift, end_s=e.end_s + shift, times_s=e.times_s + shift) for e in epochs]
    a, b = run(epochs), run(moved)
    assert [s.change_percent for s in a.sites] == pytest.approx([s.change_percent for s in b.sites], abs=1e-4)


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(st.sampled_from(["baseline", "A", "B", "C"]), st.floats(0.1, 1e4), st.integers(1, 40)), max_size=12
    )
)
def test_any_positive_epochs_give_finite_ordered_intervals_or_a_refusal(drawn: list[tuple[str, float, int]]) -> None:
    from procedures.acute_response import ResponseError, SummaryEpoch

    epochs = [
        SummaryEpoch(str(i), state, 60.0 * i, 60.0 * i + 20.0, mean, None, beats)
        for i, (state, mean, beats) in enumerate(drawn)
    ]
    states = {s for s, _, _ in drawn}
    if "baseline" not in states or len(states) == 1:
        with pytest.raises(ResponseError):
            run(epochs)
        return
    for site in run(epochs).sites:
        assert site.low_percent <= site.change_percent <= site.high_percent or site.low_percent == site.high_percent
        assert np.isfinite([site.low_percent, site.high_percent, site.shrunken_change_percent]).all()


def test_more_baselines_narrow_the_intervals_on_average() -> None:
    widths = {1: [], 3: []}
    for seed in range(200):
        for every, found in widths.items():
            made = session(np.random.default_rng(seed), "walking", sites=5, sites_per_baseline=every)
            found.append(np.mean([s.high_percent - s.low_percent for s in run(made.epochs).sites]))
    assert np.mean(widths[1]) < 0.95 * np.mean(widths[3])


def test_a_site_equal_to_baseline_is_not_called_better_in_95_of_100_runs() -> None:
    false = 0
    for seed in range(400):
        kind = DRIFTS[seed % len(DRIFTS)]
        made = session(np.random.default_rng(seed), kind, truth=[0.0, 5.0, 9.0, 2.0])
        null = next(s for s in run(made.epochs).sites if s.state == "S1")
        false += null.low_percent > 0
    assert false <= 20  # 5 % of 400; the two-sided interval should give half of that
