"""Medians and quartiles against an independent implementation and a worked example."""

import statistics

import numpy as np
import pytest

from analytics.statistics import spread

rng = np.random.default_rng(20260302)


@pytest.mark.parametrize("values", [rng.lognormal(3, 0.6, size) for size in (2, 3, 4, 5, 8, 33, 152)])
def test_quartiles_agree_with_the_standard_library(values):
    # Python's statistics.quantiles(method="inclusive") is definition 7 of Hyndman and Fan, written without NumPy.
    low, middle, high = statistics.quantiles(values.tolist(), n=4, method="inclusive")

    assert spread(values) == pytest.approx((middle, low, high, len(values)), rel=1e-12)


def test_quartiles_of_the_first_ten_numbers():
    # Definition 7 puts p at position 1 + (n - 1)p (Hyndman and Fan, Am Stat 1996;50:361): 3.25, 5.5 and 7.75 of 1..10.
    assert spread(range(1, 11)) == (5.5, 3.25, 7.75, 10)
