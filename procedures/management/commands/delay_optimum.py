"""``manage.py delay_optimum``: the best delay from a sweep by alternation, or why there is none."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

from django.core.management.base import CommandError, CommandParser

from procedures.acute_response import DelayOptimum, ResponseError, delay_optimum
from procedures.acute_response.beats_table import read_table
from registry.caution import CAUTION
from registry.management.sentence import SentenceCommand

_KEYS = ("optimum_ms", "low_ms", "high_ms", "peak_change_percent", "concave", "inside_range", "flags")
_REFUSALS = {
    "not_concave": "the parabola has no maximum",
    "outside_range": "the maximum of the parabola lies outside the delays tested",
    "undecided": "the changes scatter too much to place the maximum",
}


class Command(SentenceCommand):
    """Fit a delay sweep."""

    help = "Find the atrioventricular or interventricular delay with the largest change, with a 95 % interval."
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: CommandParser) -> None:
        """Declare the file and the output format."""
        parser.add_argument("file", nargs="?", metavar="FILE.csv", help="delay_ms,change_percent[,standard_error]")
        parser.add_argument("--json", action="store_true", help="print JSON instead of a sentence")

    def handle(self, *args: Any, **options: Any) -> None:
        """Read, fit, print."""
        try:
            result = _fit(options["file"])
        except ResponseError as error:
            raise CommandError(str(error), returncode=2) from error
        shown = {key: asdict(result)[key] for key in _KEYS}
        if "exact_fit" in result.flags:
            shown |= {"low_ms": None, "high_ms": None}
        words = f"{_in_words(result)}\n{CAUTION}"
        self.stdout.write(json.dumps(shown, allow_nan=False) if options["json"] else words)


def _fit(file: str | None) -> DelayOptimum:
    if not file:
        raise ResponseError("Name the file of the sweep: delay_optimum FILE.csv.")
    table = read_table(Path(file), ("delay_ms", "change_percent"), (), ("delay_ms", "change_percent", "standard_error"))
    error = table["standard_error"].to_numpy(float) if "standard_error" in table.columns else None
    return delay_optimum(table["delay_ms"].to_numpy(float), table["change_percent"].to_numpy(float), error)


def _in_words(result: DelayOptimum) -> str:
    if result.optimum_ms is None:
        return "No optimum: " + "; ".join(_REFUSALS[f] for f in result.flags if f in _REFUSALS) + "."
    limits = "" if result.low_ms is None else f" (95 % interval {result.low_ms:.0f} to {result.high_ms:.0f} ms)"
    if "exact_fit" in result.flags:
        limits = " (the points lie exactly on the parabola: no interval)"
    return f"Optimum {result.optimum_ms:.0f} ms{limits}, change there {result.peak_change_percent:+.1f} %."
