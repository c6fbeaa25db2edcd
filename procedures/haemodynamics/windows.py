"""Many windows of one signal at once: padded gathering and extremes, in blocks so that memory stays bounded."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from .signals import FloatArray

IntArray = NDArray[np.int64]
BLOCK = 512


def _blocks(count: int, size: int = BLOCK) -> Iterator[slice]:
    """Slices that cover ``range(count)``."""
    for start in range(0, count, size):
        yield slice(start, min(start + size, count))


def _gather(x: FloatArray, start: IntArray, stop: IntArray) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Windows ``x[start:stop]`` as rows.

    Returns
    -------
    values, inside
        Both of shape (windows, longest); outside a window the value is that of the nearest sample of the signal
        and ``inside`` is False.
    """
    longest = int(max(1, (stop - start).max(initial=1)))
    step = np.arange(longest)
    inside = step < (stop - start)[:, None]
    index = np.clip(start[:, None] + step, 0, x.shape[-1] - 1)
    return x[index], inside


def _argmax(x: FloatArray, start: IntArray, stop: IntArray, sign: int = 1) -> IntArray:
    """Index of the largest (``sign`` 1) or smallest (−1) sample of each window; ``start`` for an empty window."""
    found = np.empty(start.size, dtype=np.int64)
    for block in _blocks(start.size):
        values, inside = _gather(x, start[block], stop[block])
        ranked = np.where(inside, sign * values, -np.inf)
        found[block] = start[block] + ranked.argmax(axis=1)
    return np.clip(found, 0, max(x.size - 1, 0))


def _vertex(x: FloatArray, centre: IntArray, half: int, sign: int = 1) -> FloatArray:
    """Extreme of a parabola fitted to ``x`` over ``centre`` ± ``half`` samples; plain reading when ``half`` < 1.

    A fit over many samples is not drawn to a noise spike as the largest sample is.
    """
    if half < 1:
        return np.asarray(x[centre])
    step = np.arange(-half, half + 1)
    index = np.clip(centre[:, None] + step, 0, x.size - 1)
    basis = np.linalg.pinv(np.vander(step / half, 3))
    a, b, c = basis @ x[index].T
    with np.errstate(divide="ignore", invalid="ignore"):
        at = np.where(sign * a < 0, np.clip(-b / (2 * a), -1, 1), 0.0)
    return np.asarray(c + b * at + a * at**2)


def _centre_of_parabola(x: FloatArray, centre: IntArray, half: int) -> FloatArray:
    """Value at ``centre`` of a parabola fitted to ``x`` over ``centre`` ± ``half`` samples.

    Unlike the vertex it is not drawn upwards by a slope or a curvature that are noise.
    """
    step = np.arange(-half, half + 1)
    index = np.clip(centre[:, None] + step, 0, x.size - 1)
    return np.asarray(x[index] @ np.linalg.pinv(np.vander(step / max(half, 1), min(3, step.size)))[-1])


def _interpolate(x: FloatArray, position: FloatArray) -> FloatArray:
    """Linear reading of ``x`` (along its last axis) at fractional sample positions of any shape."""
    low = position.astype(np.int64)  # truncation is the floor of all that lies within the signal
    np.clip(low, 0, max(x.shape[-1] - 2, 0), out=low)
    share = np.clip(position - low, 0.0, 1.0)
    value = np.take(x, low, axis=-1)
    low += 1
    step = np.take(x, low, axis=-1, mode="clip")
    step -= value
    step *= share
    step += value
    return step


def _block_means(x: FloatArray, factor: int) -> FloatArray:
    """Means of ``factor`` neighbouring samples along the last axis; what is left over at the end is dropped."""
    usable = x.shape[-1] - x.shape[-1] % factor
    if factor == 1 or usable == 0:
        return np.array(x[..., :usable])
    if factor > 16:
        return np.asarray(x[..., :usable].reshape(*x.shape[:-1], -1, factor).mean(axis=-1))
    # adding few strided samples is many times faster than reducing along short rows
    summed = np.array(x[..., :usable:factor])
    for offset in range(1, factor):
        summed += x[..., offset:usable:factor]
    summed /= factor
    return summed
