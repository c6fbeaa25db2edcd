"""Geometry and names of the 17 segments of the left ventricle. Pure.

Standard: Cerqueira et al., Circulation 2002;105:539. Basal and mid rings have six segments of 60 degrees, the
apical ring four of 90 degrees, the apex is one disc. On the polar diagram anterior is up, the septum on the
left, and numbers run counter-clockwise from the anterior segment.
The radii are a drawing choice: the standard fixes the order of the rings, not their widths.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

# Outer radius of apex, apical, mid and basal ring, as parts of the diagram's radius.
RADII = (0.22, 0.48, 0.74, 1.0)


@dataclass(frozen=True)
class Segment:
    """One segment: number, name, ring and extent.

    Attributes
    ----------
    start_degrees, end_degrees
        Extent, counter-clockwise, zero pointing right (lateral); the apex has the whole circle.
    inner, outer
        Radii as parts of the diagram's radius.
    """

    number: int
    name: str
    ring: str
    start_degrees: float
    end_degrees: float
    inner: float
    outer: float

    def point(self, along: float = 0.5, across: float = 0.5) -> tuple[float, float]:
        """Return a point of the segment: ``along`` its arc and ``across`` from inner to outer edge, both 0 to 1.

        x grows to the right and y downwards, as in SVG; the diagram has radius 1 about the origin. ``along`` runs
        clockwise on the screen's upper half, that is, from left to right for the anterior segments.
        """
        if self.number == 17:
            return (2.0 * along - 1.0) * 0.6 * self.outer, (1.0 - 2.0 * across) * 0.6 * self.outer
        angle = math.radians(self.end_degrees + along * (self.start_degrees - self.end_degrees))
        radius = self.inner + across * (self.outer - self.inner)
        return radius * math.cos(angle), -radius * math.sin(angle)

    def path(self, scale: float = 1.0) -> str:
        """Return the outline as SVG path data about the origin, ``scale`` units to the diagram's radius."""
        outer, inner = self.outer * scale, self.inner * scale
        if self.number == 17:
            half = f"A {outer:.2f} {outer:.2f} 0 1 0"
            return f"M {outer:.2f} 0 {half} {-outer:.2f} 0 {half} {outer:.2f} 0 Z"
        corners = []
        for radius, degrees in ((inner, self.start_degrees), (outer, self.start_degrees), (outer, self.end_degrees),
                                (inner, self.end_degrees)):  # fmt: skip
            angle = math.radians(degrees)
            corners.append(f"{radius * math.cos(angle):.2f} {-radius * math.sin(angle):.2f}")
        return (
            f"M {corners[0]} L {corners[1]} A {outer:.2f} {outer:.2f} 0 0 0 {corners[2]} "
            f"L {corners[3]} A {inner:.2f} {inner:.2f} 0 0 1 {corners[0]} Z"
        )


_SIX = ("anterior", "anteroseptal", "inferoseptal", "inferior", "inferolateral", "anterolateral")
_FOUR = ("anterior", "septal", "inferior", "lateral")


def _ring(first: int, ring: str, walls: tuple[str, ...], inner: float, outer: float) -> list[Segment]:
    width = 360.0 / len(walls)
    start = 90.0 - width / 2.0
    return [
        Segment(first + i, f"{ring} {wall}", ring, start + i * width, start + (i + 1) * width, inner, outer)
        for i, wall in enumerate(walls)
    ]


SEGMENTS: dict[int, Segment] = {
    segment.number: segment
    for segment in (
        *_ring(1, "basal", _SIX, RADII[2], RADII[3]),
        *_ring(7, "mid", _SIX, RADII[1], RADII[2]),
        *_ring(13, "apical", _FOUR, RADII[0], RADII[1]),
        Segment(17, "apex", "apex", 0.0, 360.0, 0.0, RADII[0]),
    )
}


def segment_name(number: int | None) -> str:
    """Return "11, mid inferolateral", or words for a position whose segment was not recorded."""
    segment = SEGMENTS.get(number or 0)
    return f"{segment.number}, {segment.name}" if segment else "not recorded"
