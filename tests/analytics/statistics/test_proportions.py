"""What the interval refuses, and what must hold for every proportion."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analytics.statistics import wilson_interval


@pytest.mark.parametrize(("events", "total"), [(0, 0), (1, 0), (-1, 5), (6, 5)])
def test_counts_that_do_not_fit_are_refused(events, total):
    with pytest.raises(ValueError, match="total"):
        wilson_interval(events, total)


@pytest.mark.parametrize("confidence", [0, 1, 1.5, -0.1])
def test_confidence_outside_its_range_is_refused(confidence):
    with pytest.raises(ValueError, match="confidence"):
        wilson_interval(1, 2, confidence=confidence)


@given(st.integers(1, 5000).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))), st.booleans())
def test_interval_holds_the_proportion_and_mirrors(counts, continuity):
    events, total = counts
    low, high = wilson_interval(events, total, continuity=continuity)
    other_low, other_high = wilson_interval(total - events, total, continuity=continuity)

    assert 0 <= low <= events / total <= high <= 1
    assert (other_low, other_high) == pytest.approx((1 - high, 1 - low), abs=1e-12)
