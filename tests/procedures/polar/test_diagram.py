from __future__ import annotations

import math

import pytest

from procedures.figures.style import site_styles
from procedures.models import Site
from procedures.polar import polar_diagram
from procedures.polar.diagram import RADIUS
from procedures.polar.segments import SEGMENTS


def _site(label: str, segment: int | None, **values: object) -> Site:
    return Site(label=label, aha_segment=segment, **values)


def _draw(*sites: Site, **values: str) -> dict:
    diagram = polar_diagram(sites, site_styles([site.label for site in sites]), **values)
    return {site.label: site for site in diagram.sites} | {"diagram": diagram}


def test_sites_lie_in_their_segments_even_when_three_share_one() -> None:
    drawn = _draw(_site("A", 11), _site("B", 11), _site("C", 11), _site("D", 17))
    points = [drawn[label].point for label in "ABC"]
    assert len(set(points)) == 3
    for x, y in points:
        radius, angle = math.hypot(x, y) / RADIUS, math.degrees(math.atan2(-y, x)) % 360
        assert SEGMENTS[11].inner < radius < SEGMENTS[11].outer
        assert 300 < angle < 360
    assert math.hypot(*drawn["D"].point) < SEGMENTS[17].outer * RADIUS


def test_site_without_segment_is_listed_but_not_drawn() -> None:
    drawn = _draw(_site("A", None))
    assert drawn["A"].point is None
    assert drawn["A"].text is None
    assert "A: segment not recorded" in drawn["diagram"].description


def test_status_says_chosen_leading_tested_or_why_not_reached() -> None:
    drawn = _draw(
        _site("A", 1), _site("B", 2), _site("C", 3), _site("D", 4, reached=False, not_reached_reason="tortuosity"),
        chosen="A", leading="B",
    )  # fmt: skip
    assert [drawn[label].status for label in "ABCD"] == ["chosen", "leading", "tested", "not reached: tortuosity"]
    assert drawn["A"].chosen
    assert not drawn["D"].reached
    assert _draw(_site("A", 1), chosen="A", leading="A")["A"].status == "chosen, and leading"


def test_only_segments_with_sites_are_tinted() -> None:
    diagram = _draw(_site("A", 11))["diagram"]
    assert [segment.number for segment in diagram.segments if segment.occupied] == [11]


@pytest.mark.parametrize(("label", "shown"), [("PL-mid", "PL-mid"), ("Lateral branch two", "Lateral br…")])
def test_long_names_are_shortened_in_the_diagram_only(label: str, shown: str) -> None:
    site = _draw(_site(label, 5))[label]
    assert (site.short_label, site.label) == (shown, label)
