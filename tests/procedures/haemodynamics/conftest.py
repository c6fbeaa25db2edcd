"""Recordings made once and shared: the integration over time costs the same for one as for many."""

from __future__ import annotations

import numpy as np
import pytest

from tests.procedures.haemodynamics.generator import Made, make, plan

DURATION_S = 40.0


@pytest.fixture(scope="session")
def made() -> dict[str, Made]:
    """Recordings of 40 s by name; see the plans for what sets each apart."""
    rng = np.random.default_rng(20)
    plans = {
        "steady": plan(rng, DURATION_S, rate_per_min=72, breathing=0.0, exchange_ml=6),
        "breathing": plan(rng, DURATION_S, rate_per_min=75, breathing=0.05, exchange_ml=6),
        "slow": plan(rng, DURATION_S, rate_per_min=40),
        "fast": plan(rng, DURATION_S, rate_per_min=150),
        "fastest": plan(rng, DURATION_S, rate_per_min=178),
        "ectopic": plan(rng, DURATION_S, rate_per_min=70, ectopic_share=0.12),
        "fibrillation": plan(rng, DURATION_S, rate_per_min=85, fibrillation=True),
        "synchronous": plan(rng, DURATION_S, rate_per_min=70, delay_s=0.0),
        "delayed": plan(rng, DURATION_S, rate_per_min=70, delay_s=0.06, exchange_ml=14),
    }
    return dict(zip(plans, make(list(plans.values()), DURATION_S), strict=True))
