"""The model against general-purpose libraries, where it coincides with theirs.

statsmodels (Seabold & Perktold, Proc 9th Python in Science Conf 2010 [from memory]): ``MixedLM``, a random intercept
for each epoch by REML, where there is no drift; and ``UnobservedComponents``, a local level with exact diffuse start,
where the drift is a random walk.
"""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from procedures.acute_response.model import _AMPLITUDES, _KINDS, fit_effects

SITES, VISITS, BEATS = 4, 3, 12


def design() -> np.ndarray:
    rng = np.random.default_rng(8)
    rounds = np.concatenate([rng.permutation(SITES) for _ in range(VISITS)])
    return np.concatenate([[-1], np.stack([rounds, np.full(rounds.size, -1)], axis=1).ravel()])


def test_effects_without_drift_equal_restricted_likelihood() -> None:
    from statsmodels.regression.mixed_linear_model import MixedLM

    rng, state = np.random.default_rng(21), design()
    epoch = np.repeat(np.arange(state.size), BEATS)
    level = np.where(state < 0, 0.0, np.array([0.03, 0.06, 0.09, 0.05])[state]) + rng.normal(0, 0.017, state.size)
    y = level[epoch] + rng.normal(0, 0.03, epoch.size)
    exog = np.stack([np.ones(epoch.size), *(state[epoch] == s for s in range(SITES))], axis=1).astype(float)
    theirs = MixedLM(100.0 * y, exog, groups=epoch).fit(reml=True, method="powell")  # percent: well scaled

    means = np.bincount(epoch, y) / BEATS
    ours = fit_effects(
        means, np.zeros(state.size), 40.0 * np.arange(state.size), state, SITES,
        scatter=0.017, prior_weight=1e-9, drift_sd=0.05, grid=np.flatnonzero(_AMPLITUDES == 0),
        scales=np.ones(1), odd=False,
    )  # fmt: skip
    assert ours.location[0] == pytest.approx(np.asarray(theirs.fe_params) / 100.0, abs=1e-6)
    errors = np.sqrt(ours.spread[0].diagonal())
    assert errors == pytest.approx(np.asarray(theirs.bse_fe) / 100.0, rel=2e-4)  # theirs rests on an optimiser
    scatter = float(np.asarray(theirs.cov_re)[0, 0]) + theirs.scale / BEATS
    assert ours.s2[0] * 1.7**2 == pytest.approx(scatter, rel=2e-4)


@pytest.mark.parametrize("size", np.flatnonzero(_KINDS == 1))
def test_effects_under_a_random_walk_equal_the_kalman_smoother(size: int) -> None:
    from statsmodels.tsa.statespace.structural import UnobservedComponents

    rng, state = np.random.default_rng(22), design()
    n, drift_sd, scatter = state.size, 0.05, 0.017
    walk = 0.05 * np.cumsum(rng.normal(size=n)) / np.sqrt(n)
    y = 6.8 + walk + np.where(state < 0, 0.0, np.array([0.03, 0.06, 0.09, 0.05])[state]) + rng.normal(0, scatter, n)
    ours = fit_effects(
        y, np.zeros(n), 40.0 * np.arange(n), state, SITES,
        scatter=scatter, prior_weight=1e9, drift_sd=drift_sd, grid=np.array([size]), scales=np.ones(1), odd=False,
    )  # fmt: skip
    exog = np.stack([state == s for s in range(SITES)], axis=1).astype(float)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        model = UnobservedComponents(y, level="local level", exog=exog, mle_regression=False, use_exact_diffuse=True)
        step = (drift_sd * _AMPLITUDES[size]) ** 2 / (n - 1)
        theirs = model.smooth([scatter**2, step])
    effects = theirs.smoothed_state[1:, -1]
    variances = theirs.smoothed_state_cov[1:, 1:, -1]
    assert ours.location[0, 1:] == pytest.approx(effects, abs=1e-7)
    assert ours.spread[0, 1:, 1:] == pytest.approx(variances, rel=1e-5, abs=1e-10)
    level, variance, _ = ours.baseline_at(40.0 * np.arange(n))
    assert level == pytest.approx(theirs.smoothed_state[0], abs=1e-7)
    assert variance == pytest.approx(theirs.smoothed_state_cov[0, 0], rel=1e-5)
