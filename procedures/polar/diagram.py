"""Where each site of a session is drawn in the polar diagram."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from procedures.figures.style import SiteStyle, marker_path
from procedures.models import Site
from procedures.polar.labels import Label, place_labels
from procedures.polar.segments import SEGMENTS, segment_name

RADIUS = 200.0
_MARKER = 11.0
_HALO = 15.0
_LONGEST_LABEL = 11


@dataclass(frozen=True)
class PolarSite:
    """One site in the diagram and in the list beside it; ``point`` is None when its segment was not recorded."""

    label: str
    short_label: str
    where: str
    status: str
    colour: str
    reached: bool
    chosen: bool
    point: tuple[float, float] | None
    text: Label | None
    marker: str


@dataclass(frozen=True)
class PolarSegment:
    """One segment as drawn: outline, number and where the number stands."""

    number: int
    name: str
    path: str
    occupied: bool
    number_x: float
    number_y: float


@dataclass(frozen=True)
class PolarDiagram:
    """Everything the template draws."""

    segments: list[PolarSegment]
    sites: list[PolarSite]
    description: str


def _short(label: str) -> str:
    return label if len(label) <= _LONGEST_LABEL else label[: _LONGEST_LABEL - 1] + "…"


def polar_diagram(
    sites: Iterable[Site], styles: dict[str, SiteStyle], *, chosen: str | None = None, leading: str | None = None
) -> PolarDiagram:
    """Place the sites in their segments; sites that share a segment stand side by side along its arc.

    Parameters
    ----------
    sites
        In order of creation.
    styles
        Colour and shape by label, as in the session's figures.
    chosen, leading
        Labels of the site decided for and of the one that leads, if any.
    """
    sites = list(sites)
    points = _points(sites)
    names = {label: _short(label) for label in points}
    labels = dict(
        zip(points, place_labels(list(points.values()), list(names.values()), _HALO, RADIUS + 6), strict=True)
    )
    drawn = [
        PolarSite(
            label=site.label,
            short_label=_short(site.label),
            where=segment_name(site.aha_segment),
            status=_status(site, chosen, leading),
            colour=styles[site.label].colour,
            reached=site.reached,
            chosen=site.label == chosen,
            point=points.get(site.label),
            text=labels.get(site.label),
            marker=marker_path(styles[site.label].shape if site.reached else "circle", _MARKER),
        )
        for site in sites
    ]
    words = "; ".join(f"{site.label}: segment {site.where}, {site.status}" for site in drawn)
    return PolarDiagram(_segments({site.aha_segment for site in sites}), drawn, words or "No sites recorded.")


def _points(sites: list[Site]) -> dict[str, tuple[float, float]]:
    grouped: dict[int, list[str]] = {}
    for site in sites:
        if site.aha_segment:
            grouped.setdefault(site.aha_segment, []).append(site.label)
    points = {}
    for number, labels in grouped.items():
        for i, label in enumerate(labels):
            # Neighbours also step across the ring, so that their names do not meet.
            across = 0.5 if len(labels) == 1 else (0.3 if i % 2 == 0 else 0.7)
            x, y = SEGMENTS[number].point((i + 1) / (len(labels) + 1), across)
            points[label] = (round(x * RADIUS, 1), round(y * RADIUS, 1))
    return points


def _status(site: Site, chosen: str | None, leading: str | None) -> str:
    if not site.reached:
        return f"not reached: {site.get_not_reached_reason_display().lower()}"
    if site.label == chosen:
        return "chosen, and leading" if site.label == leading else "chosen"
    return "leading" if site.label == leading else "tested"


def _segments(occupied: set[int | None]) -> list[PolarSegment]:
    drawn = []
    for segment in SEGMENTS.values():
        # The number stands in a corner, out of the way of the markers in the middle.
        along, across = (0.5, 0.1) if segment.number == 17 else (0.12 if segment.number < 13 else 0.1, 0.82)
        x, y = segment.point(along, across)
        drawn.append(
            PolarSegment(
                number=segment.number,
                name=segment.name,
                path=segment.path(RADIUS),
                occupied=segment.number in occupied,
                number_x=round(x * RADIUS, 1),
                number_y=round(y * RADIUS, 1),
            )
        )
    return drawn
