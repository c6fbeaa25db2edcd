"""What a report of a breach needs: who saw, changed and took out what in a time window, and whom it concerns."""

from __future__ import annotations

import datetime as dt
import json
from collections import Counter, defaultdict
from collections.abc import Iterable
from typing import Any
from uuid import UUID

from registry.models import Centre, Change, Look, Patient, User
from registry.trail.content import BLANK, contents, keys_for
from registry.trail.sealing import Closed, owners_of

_EXPORT, _COPY = "analytics.cohortexport", "copied"


def breach_material(
    start: dt.datetime, end: dt.datetime, *, centre: Centre | None = None, log: Iterable[str] = ()
) -> dict[str, Any]:
    """Return the facts of a window, start included and end not, as values of JSON; patients by code only.

    ``log`` are lines of the service's log. Its lines of access are counted; those of another centre are left out, those
    that name no centre are not.
    """
    within: dict[str, Any] = {"at__gte": start, "at__lt": end}
    if centre is not None:
        within["centre_id"] = centre.pk
    seen: set[UUID] = set()
    looks = _looks(within, seen)
    touched: set[UUID] = set()
    changes, exports, unread = _changes(within, touched)
    access = _access(log, start, end, centre)
    accounts = {row["account"] for row in (*looks, *changes, *exports, *access)}
    told = Patient.objects.in_bulk(seen | touched)
    return {
        "from": start.isoformat(),
        "to": end.isoformat(),
        "centre": centre.code if centre is not None else None,
        "patients": {
            "count": len(seen | touched),
            "codes": sorted(patient.code for patient in told.values()),
            "erased_since": len((seen | touched) - told.keys()),
            "identifiers_seen": len(seen),
            "records_changed_or_copied": len(touched),
        },
        "accounts": _named(accounts),
        "looks": looks,
        "changes": changes,
        "exports": exports,
        "exports_not_readable": unread,
        "access": access,
    }


def _looks(within: dict[str, Any], seen: set[UUID]) -> list[dict[str, Any]]:
    counted: Counter[tuple[str, str]] = Counter()
    whom: dict[tuple[str, str], set[UUID]] = defaultdict(set)
    for look in Look.objects.filter(**within).order_by("at", "id").iterator(chunk_size=1000):
        about = (str(look.user_id), look.page)
        counted[about] += 1
        keys = {UUID(text) for text in look.patients.split()}
        whom[about] |= keys
        seen |= keys
    return [
        {"account": about[0], "page": about[1], "looks": count, "patients": len(whom[about])}
        for about, count in sorted(counted.items())
    ]


def _changes(within: dict[str, Any], touched: set[UUID]) -> tuple[list[dict[str, Any]], list[dict[str, Any]], int]:
    """Count the links by account, kind and act, and read those of exports; what a sealed link says stays closed."""
    counted: Counter[tuple[str, str, str]] = Counter()
    exported: list[Change] = []
    found = Change.objects.filter(**within).order_by("centre_id", "sequence")
    for change in found.iterator(chunk_size=1000):
        counted[str(change.actor_id or "the service"), change.record_type, change.action] += 1
        touched.update(_patients_of(change))
        if change.record_type == _EXPORT:
            exported.append(change)
    exports, unread = [], 0
    keys = keys_for(exported)
    for change in exported:
        try:
            new = contents(change, keys)["new"]
        except (Closed, ValueError):
            unread += 1
            continue
        about = {name: new.get(name) for name in ("year", "patients", "sessions", "manifest_sha256")}
        exports.append({"account": str(change.actor_id), "at": change.at.isoformat()} | about)
    rows = [
        {"account": who, "record": kind, "act": act, "links": count}
        for (who, kind, act), count in sorted(counted.items())
    ]
    return rows, exports, unread


def _patients_of(change: Change) -> set[UUID]:
    # The owners of a sealed link stand outside of the seal.
    try:
        owners = set() if change.values == BLANK else set(owners_of(change.values))
    except ValueError:
        owners = set()  # damaged: verify the trail
    return owners | ({change.record_id} if change.record_type == "registry.patient" else set())


def _access(log: Iterable[str], start: dt.datetime, end: dt.datetime, centre: Centre | None) -> list[dict[str, Any]]:
    counted: Counter[tuple[str, str, str, str]] = Counter()
    for text in log:
        try:
            line = json.loads(text)
            at = dt.datetime.fromisoformat(line["time"])
            if line["logger"] != "tributary.access" or not start <= at < end:
                continue
        except (ValueError, KeyError, TypeError):
            continue  # another program's line, or one that was cut off
        if centre is not None and str(line.get("centre", centre.pk)) != str(centre.pk):
            continue
        who, address, event, route = (
            str(line.get(name, "unknown")) for name in ("account", "address", "event", "route")
        )
        counted[who, address, event, route] += 1
    return [
        {"account": who, "address": address, "event": event, "route": route, "lines": count}
        for (who, address, event, route), count in sorted(counted.items())
    ]


def _named(accounts: set[str]) -> dict[str, str]:
    keys = []
    for account in accounts:
        try:
            keys.append(UUID(account))
        except ValueError:
            continue
    return {str(user.pk): user.username for user in User.objects.filter(pk__in=keys).order_by("username")}
