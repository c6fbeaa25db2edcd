"""What a fault run came to: everything entered against the change trail and the records."""

from __future__ import annotations

import sys
from collections import Counter
from typing import Any

from django.db import connection

from procedures.models import BedsideEntry, LogEntry, Session
from registry.models import Change
from registry.trail.verify import faults
from tests.fault_run.tablet import Tablet
from tests.revealing import revealed


def verdict(session: Session, tablets: list[Tablet], shared: list[str]) -> dict[str, Any]:
    """Compare what was entered and chosen with the change trail and the records."""
    written: Counter[str] = Counter()
    before: dict[str, str] = {}
    for change in Change.objects.filter(record_type="procedures.logentry").order_by("sequence"):
        values = revealed(change)
        text = values["new"].get("text")
        if text and not text.startswith("S-"):
            written[text] += 1
            before[text] = (values["old"] or {}).get("text", "")
    wrong: list[str] = []
    conflicts = 0
    lost, silent = [], []
    for tablet in tablets:
        given_up = {one["text"] for one in tablet.chosen if one["choice"] == "theirs"}
        seen: dict[str, set[str | None]] = {}
        for one in tablet.chosen:
            seen.setdefault(one["text"], set()).add(one["theirs"])
            conflicts += one["code"] == "conflict"
            if one["code"] not in ("conflict",):
                wrong.append(f"asked about {one['text']} for {one['code']}")
            if not one["shown"]:
                wrong.append(f"the choice about {one['text']} did not show both values")
        for one in tablet.entered:
            text = one["text"]
            if written[text] == 0 and text not in given_up:
                lost.append(text)
            if one["base"] is not None and written[text] and before[text] not in {one["base"], *seen.get(text, ())}:
                silent.append(f"{text} over {before[text]}, having seen {one['base']}")
    known = {one["text"] for tablet in tablets for one in tablet.entered} | set().union(
        *(tablet.perhaps for tablet in tablets)
    )
    twice = [text for text, times in written.items() if times > 1]
    unknown = [text for text in written if text not in known]
    return {
        "wrong": wrong,
        "lost": lost,
        "duplicated": twice + _records_twice(tablets, shared, session),
        "out of order": _out_of_order(tablets),
        "silently overwritten": silent,
        "from nowhere": unknown,
        "conflicts shown": conflicts,
        "killed while writing": sum(1 for tablet in tablets for text in tablet.perhaps if not written[text]),
        "trail": list(faults()),
    }


def _records_twice(tablets: list[Tablet], shared: list[str], session: Session) -> list[str]:
    """Return notes beyond those entered: each new note is one record."""
    expected = {one["key"] for tablet in tablets for one in tablet.entered}
    extra = LogEntry.objects.filter(session=session).exclude(pk__in=expected | set(shared))
    possible = set().union(*(tablet.perhaps for tablet in tablets))
    return [entry.text for entry in extra if entry.text not in possible]


def _out_of_order(tablets: list[Tablet]) -> list[str]:
    """Return entries that a tablet made before another and the server wrote after it; what waited for somebody may."""
    waited = {one["text"] for tablet in tablets for one in tablet.chosen}
    asked = {one["key"] for tablet in tablets for one in tablet.entered if one["text"] in waited}
    found = []
    last: dict[Any, int] = {}
    for row in BedsideEntry.objects.order_by("received_at", "id"):
        if row.record_key in asked:
            continue
        if row.sequence < last.get(row.device, 0):
            found.append(f"{row.record_key} #{row.sequence} after #{last[row.device]}")
        last[row.device] = max(row.sequence, last.get(row.device, 0))
    return found


def report(result: dict[str, Any]) -> str:
    """Return the result as lines; lists are told as their length and first members."""
    lines = [f"Fault run on {connection.vendor}, Python {sys.version.split()[0]}"]
    for name, value in result.items():
        if isinstance(value, list):
            lines.append(f"  {name}: {len(value)}" + (f" {value[:5]}" if value else ""))
        else:
            lines.append(f"  {name}: {value}")
    return "\n".join(lines)


def failures(result: dict[str, Any]) -> list[str]:
    """Return what must be empty and is not."""
    names = ("wrong", "lost", "duplicated", "out of order", "silently overwritten", "from nowhere", "trail")
    return [f"{name}: {result[name][:5]}" for name in names if result[name]]
