"""What a median refuses."""

import math

import pytest

from analytics.statistics import spread


def test_one_value_is_its_own_median():
    assert spread([4.5]) == (4.5, 4.5, 4.5, 1)


@pytest.mark.parametrize("values", [[], [1.0, math.nan], [math.inf], [[1.0, 2.0]]])
def test_nothing_missing_and_tables_are_refused(values):
    with pytest.raises(ValueError, match="median needs"):
        spread(values)
