"""Placing the names of sites so that they cover neither markers nor one another. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

_CHARACTER = 9.0  # mean width of a bold character at the label's size of 14
_HEIGHT = 15.0
_GAP = 4.0


@dataclass(frozen=True)
class Label:
    """Where a name stands: the middle of its line, and how it is anchored there."""

    x: float
    y: float
    anchor: str  # start | middle | end, as in SVG


Box = tuple[float, float, float, float]


def _candidates(x: float, y: float, text: str, half: float) -> list[tuple[Label, Box]]:
    reach, line = half + _GAP, half + _GAP + _HEIGHT / 2
    found = []
    for dx, dy, anchor in (
        (0.0, line, "middle"), (reach, 0.0, "start"), (-reach, 0.0, "end"), (0.0, -line, "middle"),
        (half, line, "start"), (-half, line, "end"), (half, -line, "start"), (-half, -line, "end"),
    ):  # fmt: skip
        label = Label(round(x + dx, 1), round(y + dy, 1), anchor)
        found.append((label, text_box(label, text)))
    return found


def _overlap(a: Box, b: Box) -> float:
    width = min(a[2], b[2]) - max(a[0], b[0])
    height = min(a[3], b[3]) - max(a[1], b[1])
    return width * height if width > 0 and height > 0 else 0.0


def text_box(label: Label, text: str) -> Box:
    """Return the box a placed name covers: left, top, right, bottom."""
    width = _CHARACTER * len(text)
    left = label.x - {"start": 0.0, "middle": width / 2, "end": width}[label.anchor]
    return left, label.y - _HEIGHT / 2, left + width, label.y + _HEIGHT / 2


def place_labels(points: Sequence[tuple[float, float]], texts: Sequence[str], half: float, limit: float) -> list[Label]:
    """Choose for each point the first of eight places around its marker that is free, else the least covered one.

    Parameters
    ----------
    points, texts
        Middle of each marker, and its name.
    half
        Half the size of a marker, halo included.
    limit
        Names should stay within this distance of the vertical axis.
    """
    markers = [(x - half, y - half, x + half, y + half) for x, y in points]
    taken: list[Box] = []
    placed = []
    for i, ((x, y), text) in enumerate(zip(points, texts, strict=True)):
        others = [*markers[:i], *markers[i + 1 :], *taken]
        costs = []
        for label, box in _candidates(x, y, text, half):
            outside = max(0.0, box[2] - limit) + max(0.0, -limit - box[0])
            costs.append((sum(_overlap(box, other) for other in others) + _HEIGHT * outside, label, box))
        _, label, box = min(costs, key=lambda cost: cost[0])
        taken.append(box)
        placed.append(label)
    return placed
