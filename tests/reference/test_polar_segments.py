"""The polar diagram against the published 17-segment model.

Source of the numbers, names, walls and angles: Cerqueira et al., Standardized myocardial segmentation and nomenclature
for tomographic imaging of the heart, Circulation 2002;105:539-542 (names and the division into 60 and 90 degrees as
quoted by tutorials of the standard; the drawing's start angles as in a general plotting library's gallery example of
the same model: segment 1 from 60 degrees, segment 13 from 45 degrees, counter-clockwise).
"""

from __future__ import annotations

import math

import pytest

from procedures.polar.segments import SEGMENTS

NAMES = {
    1: "basal anterior", 2: "basal anteroseptal", 3: "basal inferoseptal", 4: "basal inferior",
    5: "basal inferolateral", 6: "basal anterolateral", 7: "mid anterior", 8: "mid anteroseptal",
    9: "mid inferoseptal", 10: "mid inferior", 11: "mid inferolateral", 12: "mid anterolateral",
    13: "apical anterior", 14: "apical septal", 15: "apical inferior", 16: "apical lateral", 17: "apex",
}  # fmt: skip
STARTS = {
    1: 60, 2: 120, 3: 180, 4: 240, 5: 300, 6: 0, 7: 60, 8: 120, 9: 180, 10: 240, 11: 300, 12: 0,
    13: 45, 14: 135, 15: 225, 16: 315,
}  # fmt: skip


def test_segments_have_the_names_of_the_standard() -> None:
    assert {number: segment.name for number, segment in SEGMENTS.items()} == NAMES


@pytest.mark.parametrize("number", STARTS)
def test_segment_starts_and_widths_are_those_of_the_standard(number: int) -> None:
    segment = SEGMENTS[number]
    assert segment.start_degrees % 360 == pytest.approx(STARTS[number])
    assert segment.end_degrees - segment.start_degrees == pytest.approx(90 if number >= 13 else 60)


def test_anterior_is_up_and_the_septum_left() -> None:
    for number in (1, 7, 13):
        x, y = SEGMENTS[number].point()
        assert abs(x) < 1e-9
        assert y < 0  # up on the screen
    for number in (2, 3, 8, 9, 14):
        assert SEGMENTS[number].point()[0] < 0
    for number in (5, 6, 11, 12, 16):
        assert SEGMENTS[number].point()[0] > 0
    for number in (4, 10, 15):
        assert SEGMENTS[number].point()[1] > 0


def test_segments_tile_the_disc() -> None:
    def area(number: int) -> float:
        segment = SEGMENTS[number]
        return math.radians(segment.end_degrees - segment.start_degrees) / 2 * (segment.outer**2 - segment.inner**2)

    assert sum(area(number) for number in SEGMENTS) == pytest.approx(math.pi)
    rings = [
        {(SEGMENTS[n].inner, SEGMENTS[n].outer) for n in numbers}
        for numbers in (range(1, 7), range(7, 13), range(13, 17))
    ]
    assert [len(ring) for ring in rings] == [1, 1, 1]
    (basal,), (mid,), (apical,) = rings
    assert basal[0] == mid[1]
    assert mid[0] == apical[1]
    assert apical[0] == SEGMENTS[17].outer
