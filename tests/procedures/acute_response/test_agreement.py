from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from procedures.acute_response import agreement, compare
from tests.procedures.acute_response.simulated import BASELINE, session


def comparison(metric: str, truth: list[float], direction: int = 1):
    epochs = session(np.random.default_rng(9), truth=truth).epochs
    return compare(epochs, baseline=BASELINE, metric=metric, direction=direction)


def test_metrics_of_opposite_sign_can_agree() -> None:
    result = agreement([comparison("sv_ml", [12.0, 6.0, 0.0]), comparison("edp_mmhg", [-12.0, -6.0, 0.0], -1)])
    assert result.leader == "S1"
    assert result.named_by == 2
    assert result.concordance == pytest.approx(1.0)
    assert result.sentence == "All 2 metrics rank S1 first."


def test_opposite_rankings_have_no_concordance() -> None:
    result = agreement([comparison("sv_ml", [12.0, 6.0, 0.0]), comparison("ef_percent", [0.0, 6.0, 12.0])])
    assert result.concordance == pytest.approx(0.0)
    assert result.named_by == 1


def test_unranked_metrics_do_not_vote() -> None:
    quiet = replace(comparison("edv_ml", [0.0, 6.0, 12.0], 0))
    assert agreement([quiet]).leader is None
    assert agreement([quiet, comparison("sv_ml", [12.0, 6.0, 0.0])]).leaders == {"sv_ml": "S1"}
