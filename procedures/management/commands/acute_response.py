"""``manage.py acute_response``: a long table of beats in, the comparison of sites with baseline out."""

from __future__ import annotations

import json
import math
from dataclasses import asdict
from pathlib import Path
from typing import Any

from django.core.management.base import CommandError, CommandParser

from procedures.acute_response import Comparison, ResponseError, Settings, compare
from procedures.acute_response.beats_table import SessionTable, read_beats
from procedures.metrics import BY_KEY
from registry.caution import CAUTION
from registry.management.sentence import SentenceCommand


class Command(SentenceCommand):
    """Compare sites with baseline, for every session and metric of a file."""

    help = "Compare pacing sites with baseline: percent change, 95 % interval, probability of being the best site."
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: CommandParser) -> None:
        """Declare the file, the baseline label and the output format."""
        parser.add_argument("file", nargs="?", metavar="BEATS.csv", help="time_s,epoch,state,value[,session][,metric]")
        parser.add_argument("--baseline", default="baseline", metavar="LABEL", help="the name of the baseline")
        parser.add_argument("--json", action="store_true", help="print JSON instead of a table")

    def handle(self, *args: Any, **options: Any) -> None:
        """Run every session; one that cannot be compared carries its reason, all of them failing is an error."""
        settings = Settings()
        try:
            if not options["file"]:
                raise ResponseError("Name the file of beats: acute_response BEATS.csv.")
            tables = read_beats(Path(options["file"]), settings)
            sessions = [_session(table, options["baseline"], settings) for table in tables]
        except ResponseError as error:
            raise CommandError(str(error), returncode=2) from error
        if all("error" in s for s in sessions):
            raise CommandError(sessions[0]["error"], returncode=2)
        if options["json"]:
            self.stdout.write(json.dumps({"sessions": sessions}, allow_nan=False))
        else:
            for session in sessions:
                self.stdout.write(_in_words(session))
            self.stdout.write(CAUTION)


def _session(table: SessionTable, baseline: str, settings: Settings) -> dict[str, Any]:
    known = BY_KEY.get(table.metric or "")
    direction = int(known.direction) if known else 1
    head: dict[str, Any] = {"session": table.session, "metric": table.metric}
    assumed = () if known else ("higher_taken_as_better",)
    try:
        result = compare(
            table.epochs, baseline=baseline, metric=table.metric or "value", direction=direction, settings=settings
        )
    except ResponseError as error:
        return {**head, "drift_percent_per_min": None, "sites": [], "advice": [], "error": str(error)}
    return {**head, **_as_json(result), "flags": [*table.flags, *assumed, *result.flags]}


def _as_json(result: Comparison) -> dict[str, Any]:
    sites = [{key: _plain(value) for key, value in asdict(site).items()} for site in result.sites]
    return {
        "drift_percent_per_min": result.drift_percent_per_min,
        "scatter_percent": result.scatter_percent,
        "decided": result.decided,
        "probability_leader_near_best": _plain(result.probability_leader_near_best),
        "sites": sites,
        "advice": [advice.sentence for advice in result.advice],
    }


def _plain(value: Any) -> Any:
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return list(value) if isinstance(value, tuple) else value


def _in_words(session: dict[str, Any]) -> str:
    title = " · ".join(str(session[k]) for k in ("session", "metric") if session[k] is not None)
    lines = [title] if title else []
    if "error" in session:
        return "\n".join([*lines, session["error"], ""])
    width = max(len(s["state"]) for s in session["sites"])
    for site in session["sites"]:
        best = site["probability_best"]
        lines.append(
            f"{site['state']:<{width}}  {site['change_percent']:+6.1f} % "
            f"({site['low_percent']:+.1f} to {site['high_percent']:+.1f})"
            + (f"  best with {100 * best:.0f} %" if best is not None else "")
            + f"  {site['epochs']} epochs, {site['beats']} beats"
        )
    if "higher_taken_as_better" in session["flags"]:
        lines.append("No known metric is named: higher values are taken as better.")
    return "\n".join([*lines, *session["advice"], ""])
