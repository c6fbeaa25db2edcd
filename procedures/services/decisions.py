"""Recording the physician's decision. The program never makes one."""

from __future__ import annotations

import datetime as dt
from uuid import UUID

from django.utils import timezone

from procedures.metrics import BY_KEY
from procedures.models import Decision, Session, Site
from procedures.services.guard import put_in, site_in, writing
from registry.access import Right
from registry.errors import RuleBroken
from registry.models import User


def record_decision(
    *,
    by: User,
    session: Session,
    site: Site | None,
    reason: str,
    metric: str = "",
    decided_at: dt.datetime | None = None,
    key: UUID | None = None,
    version: int | None = None,
    amendment_reason: str = "",
) -> Decision:
    """Record which site was chosen and why; ``site=None`` records that none was.

    Whether the site led the comparison by the named metric at this moment is kept with it.

    Raises
    ------
    AccessDenied
        When the role does not decide.
    RuleBroken
        When the reason is missing, the metric unknown or the site was not reached.
    """
    if metric and metric not in BY_KEY:
        raise RuleBroken(
            f"'{metric}' is not a metric of this registry.",
            fields={"metric": ["Choose a metric from the list."]},
        )
    with writing(session, by=by, summary="Decision", right=Right.DECIDE, reason=amendment_reason) as locked:
        if site is not None:
            site = site_in(locked, site, reached=True)
        stored = Decision.objects.filter(pk=key).first() if key else None
        same = stored is not None and (stored.site_id, stored.metric) == (site.pk if site else None, metric)
        values = {
            "site": site,
            "decided_by": by,
            "decided_at": decided_at or (stored.decided_at if stored else timezone.now()),
            "reason": reason.strip(),
            "metric": metric,
            # As it stood when the decision was made: sent again later, the same decision is the same.
            "was_leading": stored.was_leading if stored and same else _leads(locked, site, metric),
        }
        return put_in(locked, Decision, values, by=by, key=key, version=version, reason=amendment_reason)


def _leads(session: Session, site: Site | None, metric: str) -> bool | None:
    leader = session.responses.filter(metric=metric, rank=1).first() if metric else None
    return leader.site_id == site.pk if leader and site else None
