"""Colour, shape and dash of every site, the same in all figures of a session, and the layout they share. Pure.

Okabe and Ito's palette (Color Universal Design, 2008). Only its blue, vermillion, green and purple (and black, kept
for baseline) reach 3:1 as lines on both the white and the dark sheet. Colour is never alone: shape and dash differ too.
Grids and backgrounds are the page's to set; ``INK`` is drawn in the ink of the theme in force.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7")
SHAPES = ("circle", "square", "diamond", "triangle-up", "triangle-down", "pentagon", "star")
DASHES = ("solid", "dot", "dashdot", "longdash")
BASELINE_DASH = "dash"
INK = "#000000"
QUIET = "#75736b"
BAND = "rgba(117, 115, 107, 0.22)"


@dataclass(frozen=True)
class SiteStyle:
    """How one site is drawn everywhere."""

    colour: str
    shape: str
    dash: str

    @property
    def sign(self) -> str:
        """The shape as a character, for axis labels."""
        return dict(zip(SHAPES, "●■◆▲▼⬟★", strict=True))[self.shape]


def short(label: str, most: int = 22) -> str:
    """Return a label that fits beside an axis; the table beside the figure has it in full."""
    return label if len(label) <= most else label[: most - 1] + "…"


def site_styles(labels: Sequence[str]) -> dict[str, SiteStyle]:
    """Return the style of each site, given the labels of all sites of the session in order of creation.

    Four colours and seven shapes run side by side, so that 28 sites differ in the pair; lines change their dash after
    every four.
    """
    return {
        label: SiteStyle(COLOURS[i % len(COLOURS)], SHAPES[i % len(SHAPES)], DASHES[(i // len(COLOURS)) % len(DASHES)])
        for i, label in enumerate(labels)
    }


def _polygon(corners: int, radius: float, first_degrees: float, inner: float | None = None) -> str:
    points = []
    steps = corners * (2 if inner else 1)
    for k in range(steps):
        r = inner if inner and k % 2 else radius
        angle = math.radians(first_degrees + 360.0 * k / steps)
        points.append(f"{r * math.cos(angle):.2f} {r * math.sin(angle):.2f}")
    return "M " + " L ".join(points) + " Z"


def marker_path(shape: str, radius: float) -> str:
    """Return SVG path data of a marker about the origin; areas are made about equal."""
    r = radius
    if shape == "circle":
        a = 0.86 * r
        return f"M {a:.2f} 0 A {a:.2f} {a:.2f} 0 1 0 {-a:.2f} 0 A {a:.2f} {a:.2f} 0 1 0 {a:.2f} 0 Z"
    return {
        "square": _polygon(4, 1.08 * r, 45.0),
        "diamond": _polygon(4, 1.08 * r, 0.0),
        "triangle-up": _polygon(3, 1.16 * r, -90.0),
        "triangle-down": _polygon(3, 1.16 * r, 90.0),
        "pentagon": _polygon(5, r, -90.0),
        "star": _polygon(5, 1.2 * r, -90.0, 0.52 * r),
    }[shape]


def base_layout(*, height: int, size: int = 15) -> dict[str, Any]:
    """Return the layout every figure starts from: no legend, no title (the page's caption says it), room for labels."""
    return {
        "height": height,
        "margin": {"l": 12, "r": 24, "t": 36, "b": 44 + 2 * size},
        "xaxis": {"automargin": False, "title": {"standoff": 10, "font": {"size": size - 1}}},
        "yaxis": {"title": {"standoff": 8, "font": {"size": size - 1}}},
        "showlegend": False,
        "hovermode": "closest",
        "font": {"size": size},
        "template": None,  # the library would otherwise send its own, 6 kB a figure
    }
