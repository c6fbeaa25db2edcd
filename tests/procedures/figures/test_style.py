from __future__ import annotations

import pytest

from procedures.figures.style import COLOURS, SHAPES, marker_path, short, site_styles

WHITE, DARK_SHEET = "#ffffff", "#1b1815"


def _luminance(colour: str) -> float:
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("colour", COLOURS)
@pytest.mark.parametrize("ground", [WHITE, DARK_SHEET])
def test_line_colours_reach_three_to_one_on_both_sheets(colour: str, ground: str) -> None:
    """WCAG 2.2, success criterion 1.4.11 (contrast of graphical objects), with its formula of relative luminance."""
    high, low = sorted((_luminance(colour), _luminance(ground)), reverse=True)
    assert (high + 0.05) / (low + 0.05) >= 3.0


def test_site_keeps_its_style_when_sites_are_added() -> None:
    few, many = site_styles(["A", "B"]), site_styles(["A", "B", "C", "D"])
    assert (few["A"], few["B"]) == (many["A"], many["B"])


def test_sixteen_sites_differ_as_markers_and_as_lines() -> None:
    styles = site_styles([f"site {i}" for i in range(16)]).values()
    assert len({(style.colour, style.shape) for style in styles}) == 16
    assert len({(style.colour, style.dash) for style in styles}) == 16


@pytest.mark.parametrize("shape", SHAPES)
def test_every_shape_can_be_drawn_and_written(shape: str) -> None:
    assert marker_path(shape, 10).endswith("Z")
    assert len({style.sign for style in site_styles("abcdefg").values()}) == len(SHAPES)


def test_short_keeps_what_fits() -> None:
    assert short("PL-mid") == "PL-mid"
    assert len(short("x" * 40, 12)) == 12
