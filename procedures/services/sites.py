"""Writing tributaries, sites and what was measured at them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.utils import timezone

from procedures.limits import LEAD_QUANTITIES, OUTPUT_QUANTITIES, outside
from procedures.models import LeadMeasurement, Session, Site, Tributary
from procedures.services.guard import put_in, site_in, writing
from procedures.services.responses import refresh_later
from registry.errors import NeedsConfirmation, RuleBroken
from registry.models import User


@dataclass(frozen=True)
class GridCell:
    """What was typed for one electrode pair; ``key`` makes sending it twice write once."""

    cathode: str
    anode: str
    key: UUID
    values: dict[str, float | None]


def put_tributary(
    *,
    by: User,
    session: Session,
    vein: str,
    ordinal: int = 1,
    notes: str = "",
    key: UUID | None = None,
    version: int | None = None,
    reason: str = "",
) -> Tributary:
    """Write a tributary; without a key, the one of that name in the session is found again rather than doubled."""
    with writing(session, by=by, summary="Tributary", reason=reason) as locked:
        if key is None:
            twin = locked.tributaries.filter(vein=vein, ordinal=ordinal).first()
            if twin and not notes:
                return twin
            key = twin.pk if twin else None
        values = {"vein": vein, "ordinal": ordinal, "notes": notes}
        return put_in(locked, Tributary, values, by=by, key=key, version=version, reason=reason)


def put_site(
    *,
    by: User,
    session: Session,
    tributary: Tributary,
    label: str,
    key: UUID | None = None,
    version: int | None = None,
    reason: str = "",
    **values: Any,
) -> Site:
    """Write a site: a lead position in a tributary of the same session.

    Raises
    ------
    RuleBroken
        For instance when a position not reached has no reason, or the label is taken.
    ObjectDoesNotExist
        When the tributary is of another session.
    """
    with writing(session, by=by, summary=f"Site {label}", reason=reason) as locked:
        if tributary.session_id != locked.pk:
            raise Tributary.DoesNotExist("The tributary was not found in this session.")
        site = put_in(
            locked,
            Site,
            {"tributary": tributary, "label": " ".join(label.split()), **values},
            by=by,
            key=key,
            version=version,
            reason=reason,
        )
        if site.version > 1:
            refresh_later(locked)
        return site


def put_measurement(
    *,
    by: User,
    site: Site,
    key: UUID | None = None,
    version: int | None = None,
    confirmed: bool = False,
    reason: str = "",
    **values: Any,
) -> LeadMeasurement:
    """Write what was measured at a site.

    Raises
    ------
    NeedsConfirmation
        When a value is outside its usual range and ``confirmed`` is not set.
    RuleBroken
        When a value is outside its hard range, a threshold lacks its pulse width, or the site was never reached.
    """
    with writing(site.session, by=by, summary=f"Measurement at {site.label}", reason=reason) as locked:
        record, unusual = _write(by, locked, site, values, key=key, version=version, reason=reason)
        if unusual and not confirmed:
            # Raised after the hard limits were checked, so that both kinds of message never mix; it rolls back.
            raise NeedsConfirmation("Some values are unusual. Confirm them if they are correct.", fields=unusual)
        return record


def put_electrode_grid(
    *,
    by: User,
    site: Site,
    cells: Sequence[GridCell],
    pulse_width_ms: float,
    measured_at: dt.datetime | None = None,
    confirmed: bool = False,
    reason: str = "",
) -> list[LeadMeasurement]:
    """Write a table of electrode pairs tried at a site, one measurement a pair, all or none.

    Raises
    ------
    NeedsConfirmation, RuleBroken
        As for :func:`put_measurement`, with the pair named in the message.
    """
    if not cells:
        raise RuleBroken("Enter at least one value. Leave empty what was not measured.")
    shared = {"pulse_width_ms": pulse_width_ms, "measured_at": measured_at or timezone.now()}
    strange: dict[str, list[str]] = {}
    with writing(site.session, by=by, summary=f"Electrode pairs at {site.label}", reason=reason) as locked:
        written = []
        for cell in cells:
            values = shared | cell.values | {"cathode": cell.cathode, "anode": cell.anode}
            name = f"{cell.cathode} to {cell.anode}"
            try:
                record, unusual = _write(by, locked, site, values, key=cell.key, version=None, reason=reason)
            except RuleBroken as error:
                messages = [m for found in error.fields.values() for m in found] or [str(error)]
                raise RuleBroken(str(error), fields={"": [f"{name}: {m}" for m in messages]}) from None
            written.append(record)
            for messages in unusual.values():
                strange.setdefault("", []).extend(f"{name}: {m}" for m in messages)
        if strange and not confirmed:
            raise NeedsConfirmation("Some values are unusual. Confirm them if they are correct.", fields=strange)
        return written


def _write(
    by: User, locked: Session, site: Site, values: dict[str, Any], *, key: UUID | None, version: int | None, reason: str
) -> tuple[LeadMeasurement, dict[str, list[str]]]:
    unusual = outside({name: values.get(name) for name in (*LEAD_QUANTITIES, *OUTPUT_QUANTITIES)})
    stored = LeadMeasurement.objects.filter(pk=key).first() if key else None
    # What was measured before the position was given up can still be corrected, or sent again.
    site = site_in(locked, site, reached=stored is None)
    if stored is None:
        values.setdefault("measured_at", timezone.now())
    record = put_in(
        locked,
        LeadMeasurement,
        values | {"confirmed_unusual": sorted(unusual)},
        by=by,
        site=site,
        key=key,
        version=version,
        reason=reason,
    )
    return record, unusual
