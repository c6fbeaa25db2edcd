"""What else may have happened in a session: one epoch that went wrong, or one state that scatters more than the rest.

Each supposition widens the noise of some epochs. Given the fit without it, its own fit follows exactly from a small
block of the projection that restricted likelihood uses (Woodbury's identity; case influence as in Christensen,
Pearson & Johnson, Technometrics 1992;34:38 [from memory]), so that all of them cost little more than the plain fit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from procedures.acute_response.values import FloatArray, IntArray

# Project choices; no source gives how often an epoch of a session goes wrong or a site scatters more. One session in
# twenty is taken to have an epoch with six times the noise, one in ten a state with three times the scatter.
_WILD_EPOCH_SHARE, _WILD_EPOCH_SD = 0.05, 6.0
_WILD_STATE_SHARE, _WILD_STATE_SD = 0.1, 3.0


@dataclass(frozen=True)
class Supposition:
    """``epochs`` whose noise variance grows by ``growth`` times itself; none for a session without oddities."""

    epochs: IntArray
    growth: float
    log_weight: float


@dataclass(frozen=True)
class PlainFit:
    """What a fit without oddities knows, for each point of the drift grid (first axis).

    ``noise`` ``(epochs,)`` is the noise variance in units of the fit; ``inverse`` ``(grid, epochs, epochs)`` that of
    the epochs' covariance ``W``; ``leverage`` ``(grid, p, epochs)`` is ``(X' W X)^-1 X' W``; ``projection``
    ``(grid, epochs, epochs)`` is ``W - W X (X' W X)^-1 X' W`` and ``projected`` ``(grid, epochs)`` that times ``y``.
    """

    noise: FloatArray
    inverse: FloatArray
    leverage: FloatArray
    projection: FloatArray
    projected: FloatArray


def _suppositions(state: IntArray) -> list[Supposition]:
    """Nothing odd first, then each epoch in order, then each state with two epochs or more.

    Parameters
    ----------
    state
        -1 for baseline, else the site's index; shape ``(epochs,)``.
    """
    epochs, states = state.size, np.unique(state)
    nothing = Supposition(np.zeros(0, np.int64), 0.0, float(np.log(1.0 - _WILD_EPOCH_SHARE - _WILD_STATE_SHARE)))
    wild_epoch, wild_state = np.log(_WILD_EPOCH_SHARE / epochs), np.log(_WILD_STATE_SHARE / states.size)
    single = [Supposition(np.array([i]), _WILD_EPOCH_SD**2 - 1.0, float(wild_epoch)) for i in range(epochs)]
    groups = [np.flatnonzero(state == one) for one in states]
    several = [Supposition(at, _WILD_STATE_SD**2 - 1.0, float(wild_state)) for at in groups if at.size > 1]
    return [nothing, *single, *several]


def _likelihoods(supposed: list[Supposition], plain: PlainFit) -> tuple[FloatArray, FloatArray]:
    """What each supposition adds to the log determinant, and takes from the residual squares; ``(grid, supposed)``."""
    grid = plain.projected.shape[0]
    log_det, squares = np.zeros((grid, len(supposed))), np.zeros((grid, len(supposed)))
    alone = [j for j, s in enumerate(supposed) if s.epochs.size == 1]
    at = np.array([supposed[j].epochs[0] for j in alone], np.int64)
    added = np.array([supposed[j].growth for j in alone]) * plain.noise[at]
    grown = 1.0 + added * plain.projection[:, at, at]
    log_det[:, alone] = np.log(grown)
    squares[:, alone] = added * plain.projected[:, at] ** 2 / grown
    for j, one in enumerate(supposed):
        if one.epochs.size > 1:
            gain, log_det[:, j] = _gain(one, plain)
            part = plain.projected[:, one.epochs]
            squares[:, j] = np.einsum("gi,gij,gj->g", part, gain, part)
    return log_det, squares


def _influence(one: Supposition, plain: PlainFit, at: IntArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """What a supposition does to the fit at grid points ``at``.

    Returns
    -------
    shift, widening, inverse
        Taken from the coefficients ``(at, p)``; added to their covariance ``(at, p, p)``; the inverse covariance of
        the epochs under the supposition ``(at, epochs, epochs)``.
    """
    inverse = plain.inverse[at]
    if not one.epochs.size:
        p = plain.leverage.shape[1]
        return np.zeros((at.size, p)), np.zeros((at.size, p, p)), inverse
    gain, _ = _gain(one, plain)
    along, gain = plain.leverage[at][:, :, one.epochs], gain[at]
    shift = np.einsum("gpi,gij,gj->gp", along, gain, plain.projected[at][:, one.epochs])
    widening = np.matmul(np.matmul(along, gain), along.transpose(0, 2, 1))
    root = np.sqrt(one.growth * plain.noise[one.epochs])
    columns = inverse[:, :, one.epochs] * root
    block = np.eye(root.size) + inverse[:, one.epochs[:, None], one.epochs] * root[:, None] * root
    return shift, widening, inverse - np.matmul(columns, np.linalg.solve(block, columns.transpose(0, 2, 1)))


def _gain(one: Supposition, plain: PlainFit) -> tuple[FloatArray, FloatArray]:
    """``(D^-1 + P)^-1`` over the epochs of a supposition with added variance ``D``, and ``log det (1 + D P)``."""
    root = np.sqrt(one.growth * plain.noise[one.epochs])
    block = np.eye(root.size) + plain.projection[:, one.epochs[:, None], one.epochs] * root[:, None] * root
    gain: FloatArray = np.asarray(np.linalg.inv(block) * root[:, None] * root, dtype=np.float64)
    log_det: FloatArray = np.linalg.slogdet(block)[1]
    return gain, log_det
