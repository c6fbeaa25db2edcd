"""Lengths of straight lines in a PDF that Chromium printed, in millimetres on the paper."""

from __future__ import annotations

import re
import zlib
from dataclasses import dataclass

_POINT_MM = 25.4 / 72
_TOKEN = re.compile(rb"\((?:\\.|[^\\)])*\)|<[0-9A-Fa-f\s]*>|[\[\]]|/[^\s/\[\]<>()]+|[^\s/\[\]<>()]+")
Matrix = tuple[float, float, float, float, float, float]


@dataclass(frozen=True)
class Line:
    """A straight line on paper, mm from the page's corner."""

    x0: float
    y0: float
    x1: float
    y1: float


def pages_mm(pdf: bytes) -> list[tuple[float, float]]:
    """Width and height of the pages."""
    boxes = re.findall(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)\s*\]", pdf)
    return [(float(w) * _POINT_MM, float(h) * _POINT_MM) for w, h in boxes]


def lines(pdf: bytes) -> list[list[Line]]:
    """Straight lines of each content stream that draws any."""
    found = []
    for match in re.finditer(rb"(?<!end)stream\r?\n", pdf):
        end = pdf.index(b"endstream", match.end())
        try:
            content = zlib.decompressobj().decompress(pdf[match.end() : end])
        except zlib.error:
            continue
        if re.search(rb"[\d.] l\n", content) and (drawn := _lines(content)):
            found.append(drawn)
    return found


def _times(a: Matrix, b: Matrix) -> Matrix:
    return (
        a[0] * b[0] + a[1] * b[2],
        a[0] * b[1] + a[1] * b[3],
        a[2] * b[0] + a[3] * b[2],
        a[2] * b[1] + a[3] * b[3],
        a[4] * b[0] + a[5] * b[2] + b[4],
        a[4] * b[1] + a[5] * b[3] + b[5],
    )


def _lines(content: bytes) -> list[Line]:
    """Follow q, Q, cm, m and l; everything else in a content stream moves no pen."""
    matrix: Matrix = (1, 0, 0, 1, 0, 0)
    kept: list[Matrix] = []
    numbers: list[float] = []
    at = (0.0, 0.0)
    found = []

    def paper(x: float, y: float) -> tuple[float, float]:
        a, b, c, d, e, f = matrix
        return (a * x + c * y + e) * _POINT_MM, (b * x + d * y + f) * _POINT_MM

    for token in _TOKEN.findall(content):
        try:
            numbers.append(float(token))
            continue
        except ValueError:
            pass
        if token == b"q":
            kept.append(matrix)
        elif token == b"Q" and kept:
            matrix = kept.pop()
        elif token == b"cm":
            matrix = _times(tuple(numbers[-6:]), matrix)  # type: ignore[arg-type] # six numbers
        elif len(numbers) < 2:
            pass
        elif token == b"m":
            at = paper(*numbers[-2:])
        elif token == b"l":
            to = paper(*numbers[-2:])
            found.append(Line(*at, *to))
            at = to
        numbers = []
    return found
