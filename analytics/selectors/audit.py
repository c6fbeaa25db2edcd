"""A centre's year: volume, indicators with their intervals, and medians."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from django.utils import timezone

from analytics.indicators import INDICATORS, MEASURES, Indicator, Measure, SessionFacts
from analytics.selectors.session_facts import session_facts
from analytics.statistics import Interval, Spread, spread, wilson_interval
from procedures.models import ProcedureKind, Session
from registry.models import Centre


@dataclass(frozen=True)
class Proportion:
    """An indicator's result; ``interval`` is None when nothing was counted: not applicable."""

    indicator: Indicator
    counted: int
    total: int
    interval: Interval | None
    left_out: dict[str, int]

    @property
    def fraction(self) -> float | None:
        """The proportion, or None when there is nothing to divide by."""
        return self.counted / self.total if self.total else None

    @property
    def percent(self) -> float | None:
        """The proportion in percent."""
        return None if self.fraction is None else 100 * self.fraction

    @property
    def low_percent(self) -> float | None:
        """Lower limit in percent."""
        return None if self.interval is None else 100 * self.interval.low

    @property
    def high_percent(self) -> float | None:
        """Upper limit in percent."""
        return None if self.interval is None else 100 * self.interval.high


@dataclass(frozen=True)
class Middle:
    """A measure's result; ``spread`` is None when nothing was measured."""

    measure: Measure
    spread: Spread | None
    missing: int


@dataclass(frozen=True)
class Overview:
    """What the audit page shows of one centre and year."""

    centre: Centre
    year: int
    sessions: int
    # Rows of (month 1 to 12, sessions by kind of procedure in the order of ProcedureKind, all).
    volume: list[tuple[dt.date, list[int], int]]
    proportions: list[Proportion]
    middles: list[Middle]
    unjudged_events: int


def audit_years(centre: Centre) -> list[int]:
    """Return the years with sessions, latest first."""
    zone = timezone.get_current_timezone()
    return [
        moment.year for moment in Session.objects.filter(centre=centre).datetimes("started_at", "year", "DESC", zone)
    ]


def proportion(indicator: Indicator, sessions: Sequence[SessionFacts]) -> Proportion:
    """Count one indicator."""
    verdicts = [indicator.judge(facts) for facts in sessions]
    left_out = Counter(verdict for verdict in verdicts if isinstance(verdict, str))
    counted, total = sum(verdict is True for verdict in verdicts), len(verdicts) - left_out.total()
    interval = wilson_interval(counted, total) if total else None
    return Proportion(indicator, counted, total, interval, dict(left_out.most_common()))


def middle(measure: Measure, sessions: Sequence[SessionFacts]) -> Middle:
    """Take median and quartiles of one measure."""
    values = [value for facts in sessions if (value := measure.read(facts)) is not None]
    return Middle(measure, spread(values) if values else None, len(sessions) - len(values))


def overview(centre: Centre, year: int, *, today: dt.date | None = None) -> Overview:
    """Return a centre's year, for a viewer that :func:`registry.access.chosen_centre` has checked."""
    sessions = session_facts(centre, year, today=today or timezone.localdate())
    counts = Counter((facts.started_on.month, facts.procedure) for facts in sessions)
    volume = []
    for month in range(1, 13):
        by_kind = [counts[month, kind.value] for kind in ProcedureKind]
        volume.append((dt.date(year, month, 1), by_kind, sum(by_kind)))
    return Overview(
        centre=centre,
        year=year,
        sessions=len(sessions),
        volume=volume,
        proportions=[proportion(indicator, sessions) for indicator in INDICATORS],
        middles=[middle(measure, sessions) for measure in MEASURES],
        unjudged_events=sum(facts.unjudged for facts in sessions),
    )


def sessions_behind(
    indicator: Indicator, centre: Centre, year: int, group: str, *, today: dt.date | None = None
) -> list[tuple[SessionFacts, str]]:
    """Return the sessions behind one number, latest first, each with what was said of it.

    ``group`` is "counted" (the numerator), "total" (the denominator) or "left-out".
    """
    found = []
    for facts in reversed(session_facts(centre, year, today=today or timezone.localdate())):
        verdict = indicator.judge(facts)
        if isinstance(verdict, str):
            if group == "left-out":
                found.append((facts, f"excluded: {verdict}"))
        elif group == "total" or (group == "counted" and verdict):
            found.append((facts, "counted" if verdict else "not counted"))
    return found
