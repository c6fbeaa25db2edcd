"""A session as the bedside page keeps it: whole at first, then only what changed."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any, cast

from django.db.models import Choices

from procedures.api.bedside_kinds import KINDS
from procedures.limits import LEAD_QUANTITIES
from procedures.metrics import METRICS
from procedures.models import (
    BaselinePacing,
    Chambers,
    EntryKind,
    LeadMeasurement,
    LongAxis,
    Obstacle,
    Outcome,
    ProcedureKind,
    Session,
    Stability,
    Vein,
)
from procedures.selectors.bedside import changed_since
from procedures.selectors.completeness import answers_to_check
from procedures.selectors.sessions import session_detail
from procedures.views.entry import rights_in
from registry.models import User

# Newest first; what a page at the bedside shows is far less.
MOST_RECORDS = 500


def _choices(choices: type[Choices]) -> list[dict[str, str]]:
    return [{"value": value, "label": str(label)} for value, label in choices.choices]


def vocabulary() -> dict[str, Any]:
    """Return the words and limits that the page offers: those of the models and catalogues, said once."""
    bounds = _hard_limits()
    lead = [{"name": name} | asdict(quantity) | bounds[name] for name, quantity in LEAD_QUANTITIES.items()]
    return {
        "entry_kinds": _choices(EntryKind),
        "veins": _choices(Vein),
        "obstacles": _choices(Obstacle),
        "long_axis": _choices(LongAxis),
        "stability": _choices(Stability),
        "chambers": _choices(Chambers),
        "outcomes": _choices(Outcome),
        "procedures": _choices(ProcedureKind),
        "baseline_pacing": _choices(BaselinePacing),
        "lead_quantities": lead,
        "metrics": [asdict(metric) | {"direction": int(metric.direction)} for metric in METRICS],
        "collections": {kind: one.collection for kind, one in KINDS.items()},
        "fields": {kind: one.fields() for kind, one in KINDS.items()},
    }


def _hard_limits() -> dict[str, dict[str, Any]]:
    """Return the range outside which a lead quantity is refused, from the database's own constraints."""
    found = {}
    for constraint in LeadMeasurement._meta.constraints:
        name = constraint.name.removeprefix("leadmeasurement_").removesuffix("_range")
        if name in LEAD_QUANTITIES:
            inside = dict(cast(Any, constraint).condition.children[-1].children)
            refusal = str(constraint.violation_error_message)
            found[name] = {
                "hard_low": inside[f"{name}__gte"],
                "hard_high": inside[f"{name}__lte"],
                "refusal": refusal,
            }
    return found


def whole(user: User, session: Session, cursor: int) -> dict[str, Any]:
    """Return everything of a session, the newest records of each kind first in number."""
    records = {
        kind.collection: [kind.shown(one) for one in kind.records(session).order_by("-id")[:MOST_RECORDS]][::-1]
        for kind in KINDS.values()
    }
    return _common(user, session, cursor) | {"whole": True, "vocabulary": vocabulary(), "records": records}


def since(user: User, session: Session, earlier: int, cursor: int) -> dict[str, Any] | None:
    """Return what changed after an earlier cursor, or nothing when the page should take it all anew."""
    kinds = {kind.model._meta.label_lower: kind for kind in KINDS.values()}
    changed = changed_since(session.centre_id, earlier, cursor, kinds)
    if changed is None:
        return None
    records = {
        kinds[name].collection: [kinds[name].shown(one) for one in kinds[name].records(session).filter(pk__in=keys)]
        for name, keys in changed.written.items()
    }
    removed = [str(key) for key in changed.deleted]
    return _common(user, session, cursor) | {"whole": False, "records": records, "removed": removed}


def _common(user: User, session: Session, cursor: int) -> dict[str, Any]:
    detail = session_detail(user).get(pk=session.pk)
    return {
        "cursor": cursor,
        "me": str(user.pk),
        "rights": rights_in(user, session),
        "completeness": [asdict(answer) for answer in answers_to_check(detail)],
    }
