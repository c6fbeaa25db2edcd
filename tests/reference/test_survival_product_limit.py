"""The product-limit estimate against a published worked example.

Remission times of leukaemia patients on 6-mercaptopurine, weeks: Freireich et al., Blood 1963;21:699; worked in Gehan,
Biometrika 1965;52:203 and in many textbooks (data from memory; share and standard error recomputed by hand).
"""

import numpy as np
import pytest
from scipy.stats import norm

from registry.clinical.survival import Lifetime, survival

FAILED = [6, 6, 6, 7, 10, 13, 16, 22, 23]
CENSORED = [6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35]
TREATED = [Lifetime(day, True) for day in FAILED] + [Lifetime(day, False) for day in CENSORED]
# time, at risk, failures, share, Greenwood standard error
PRINTED = [
    (6, 21, 3, 0.8571, 0.0764),
    (7, 17, 1, 0.8067, 0.0869),
    (10, 15, 1, 0.7529, 0.0963),
    (13, 12, 1, 0.6902, 0.1068),
    (16, 11, 1, 0.6275, 0.1141),
    (22, 7, 1, 0.5378, 0.1282),
    (23, 6, 1, 0.4482, 0.1346),
]


def test_share_and_numbers_at_risk():
    steps = survival(TREATED)

    assert [(step.days, step.at_risk, step.failures) for step in steps] == [row[:3] for row in PRINTED]
    assert [step.share for step in steps] == pytest.approx([row[3] for row in PRINTED], abs=5e-5)


def test_interval_is_that_of_greenwood_on_the_log_minus_log_scale():
    # Kalbfleisch and Prentice: S to the power exp(± z · se / (S · ln S)), from the printed standard errors.
    z = norm.ppf(0.975)
    for step, (_, _, _, share, error) in zip(survival(TREATED), PRINTED, strict=True):
        width = z * error / (share * abs(np.log(share)))
        assert step.low == pytest.approx(share ** np.exp(width), abs=5e-4)
        assert step.high == pytest.approx(share ** np.exp(-width), abs=5e-4)


def test_days_asked_for_and_none_beyond_the_longest_observation():
    steps = survival(TREATED, [5, 12, 40])

    assert [step.days for step in steps] == [5, 12]
    assert (steps[0].share, steps[0].low, steps[0].at_risk) == (1.0, None, 21)
    assert (steps[1].share, steps[1].failures) == (pytest.approx(0.7529, abs=5e-5), 5)


def test_without_a_failure_there_is_no_interval():
    steps = survival([Lifetime(400, False), Lifetime(900, False)], [365, 730])

    assert [(step.share, step.low, step.high, step.at_risk) for step in steps] == [
        (1, None, None, 2),
        (1, None, None, 1),
    ]


def test_without_parts_there_is_nothing():
    assert survival([]) == []
