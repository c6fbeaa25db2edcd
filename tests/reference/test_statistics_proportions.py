"""Score intervals against printed tables the definition, and an independent library."""

import itertools
from math import sqrt
from statistics import NormalDist

import pytest

from analytics.statistics import wilson_interval

# Newcombe, Stat Med 1998;17:857, table I, methods 3 and 4, as kept in the project's reference list 5.4 (abstract
# read; values recomputed there, same as his printed table as remembered).
NEWCOMBE = [
    (81, 263, (0.2553, 0.3662), (0.2535, 0.3682)),
    (15, 148, (0.0624, 0.1605), (0.0598, 0.1644)),
    (0, 20, (0.0, 0.1611), (0.0, 0.2005)),
    (1, 29, (0.0061, 0.1718), (0.0018, 0.1963)),
]
# Ten-figure values of statsmodels, some also of R's prop.test(correct=FALSE), as kept in the project's oracle notes,
# section 4.
TEN_FIGURES = [
    (8, 97, 0.0423827045, 0.1543762383),
    (81, 263, 0.2552885199, 0.3662095770),
    (0, 10, 0.0, 0.2775327999),
    (10, 10, 0.7224672001, 1.0),
    (1, 10, 0.0178762131, 0.4041500268),
    (5, 10, 0.2365930905, 0.7634069095),
    (15, 148, 0.0623863995, 0.1604872417),
    (0, 20, 0.0, 0.1611251581),
    (1, 29, 0.0061132143, 0.1717552188),
    (3, 250, 0.0040893199, 0.0346807804),
]
CASES = [(events, total) for total in (1, 2, 3, 7, 20, 97, 1319) for events in {0, 1, total // 3, total - 1, total}]


@pytest.mark.parametrize(("events", "total", "plain", "corrected"), NEWCOMBE)
def test_wilson_as_printed_by_newcombe(events, total, plain, corrected):
    assert wilson_interval(events, total) == pytest.approx(plain, abs=5e-5)
    assert wilson_interval(events, total, continuity=True) == pytest.approx(corrected, abs=5e-5)


@pytest.mark.parametrize(("events", "total", "low", "high"), TEN_FIGURES)
def test_wilson_to_ten_figures(events, total, low, high):
    assert wilson_interval(events, total) == pytest.approx((low, high), abs=5e-11)


def test_wilson_of_the_danish_cohort():
    # Kirkfeldt et al., Eur Heart J 2014;35:1186: 562 of 5918 with any complication; interval in reference list 5.2.
    assert wilson_interval(562, 5918) == pytest.approx((0.0878, 0.1027), abs=5e-5)


@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.998])
@pytest.mark.parametrize(("events", "total"), CASES)
def test_a_limit_is_where_the_score_test_just_refuses(events, total, confidence):
    """By definition: the standardised distance of the observed proportion from each limit is the normal quantile."""
    quantile = NormalDist().inv_cdf((1 + confidence) / 2)
    for continuity in (False, True):
        for limit in wilson_interval(events, total, confidence=confidence, continuity=continuity):
            if 0 < limit < 1:
                distance = abs(events / total - limit) - (0.5 / total if continuity else 0.0)
                assert distance == pytest.approx(quantile * sqrt(limit * (1 - limit) / total), abs=1e-9)


def test_wilson_agrees_with_statsmodels():
    from statsmodels.stats.proportion import proportion_confint

    for (events, total), confidence in itertools.product(CASES, (0.9, 0.95)):
        expected = proportion_confint(events, total, alpha=1 - confidence, method="wilson")
        assert wilson_interval(events, total, confidence=confidence) == pytest.approx(expected, abs=1e-12)
