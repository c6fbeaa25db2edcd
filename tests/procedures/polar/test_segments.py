from __future__ import annotations

import math

import pytest

from procedures.polar.segments import SEGMENTS, segment_name


@pytest.mark.parametrize("number", sorted(SEGMENTS))
@pytest.mark.parametrize(("along", "across"), [(0.1, 0.1), (0.5, 0.5), (0.9, 0.9), (0.1, 0.9)])
def test_point_lies_inside_its_segment(number: int, along: float, across: float) -> None:
    segment = SEGMENTS[number]
    x, y = segment.point(along, across)
    radius = math.hypot(x, y)
    assert segment.inner <= radius <= segment.outer
    if number != 17:
        angle = math.degrees(math.atan2(-y, x))
        middle = 0.5 * (segment.start_degrees + segment.end_degrees)
        off = (angle - middle + 180) % 360 - 180
        assert abs(off) < (segment.end_degrees - segment.start_degrees) / 2


def test_point_runs_from_left_to_right_in_the_anterior_segment() -> None:
    left, right = SEGMENTS[1].point(0.2)[0], SEGMENTS[1].point(0.8)[0]
    assert left < 0 < right


def test_path_of_a_segment_goes_through_its_four_corners() -> None:
    path = SEGMENTS[6].path(100)  # 0 to 60 degrees, outer ring
    inner = SEGMENTS[6].inner * 100
    assert path.startswith(f"M {inner:.2f} 0.00 L 100.00 0.00 A 100.00 100.00 0 0 0 ")
    assert f"{100 * math.cos(math.radians(60)):.2f} {-100 * math.sin(math.radians(60)):.2f}" in path


def test_segment_name_of_an_unknown_position_says_so() -> None:
    assert segment_name(11) == "11, mid inferolateral"
    assert segment_name(None) == "not recorded"
