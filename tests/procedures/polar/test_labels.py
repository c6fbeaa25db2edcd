from __future__ import annotations

from itertools import combinations

from procedures.polar.labels import place_labels, text_box
from procedures.polar.segments import SEGMENTS


def _overlap(a: tuple[float, ...], b: tuple[float, ...]) -> bool:
    return min(a[2], b[2]) > max(a[0], b[0]) and min(a[3], b[3]) > max(a[1], b[1])


def test_names_of_twelve_sites_cover_neither_one_another_nor_a_marker() -> None:
    points = [tuple(200 * value for value in SEGMENTS[number].point()) for number in range(1, 13)]
    names = [f"Site-{number}" for number in range(1, 13)]
    labels = place_labels(points, names, half=15, limit=240)
    boxes = [text_box(label, name) for label, name in zip(labels, names, strict=True)]
    assert not any(_overlap(a, b) for a, b in combinations(boxes, 2))
    markers = [(x - 15, y - 15, x + 15, y + 15) for x, y in points]
    assert not any(_overlap(box, marker) for box in boxes for marker in markers)


def test_name_at_the_edge_stays_inside() -> None:
    (label,) = place_labels([(195.0, 0.0)], ["A long name"], half=15, limit=240)
    left, _, right, _ = text_box(label, "A long name")
    assert left >= -240
    assert right <= 240
