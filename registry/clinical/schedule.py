"""When a patient is to be seen after an implant, and whether that is due, overdue or done."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from itertools import pairwise


@dataclass(frozen=True)
class Visit:
    """A planned visit: days after the implant, and how many days before and after it still count as that visit.

    A visit that ``repeats`` comes again every ``after_days``; it must be the last of a schedule.
    """

    label: str
    after_days: int
    early_days: int
    late_days: int
    repeats: bool = False


# Wound and device at 2 to 12 weeks, echocardiography at 3 to 12 months, then yearly (2023 HRS, as quoted in a secondary
# text); the days and their margins are a project choice that a centre may change.
DEFAULT: tuple[Visit, ...] = (
    Visit("discharge", 1, 1, 6),
    Visit("6 weeks", 42, 28, 42),
    Visit("6 months", 183, 92, 90),
    Visit("yearly", 365, 60, 90, repeats=True),
)


class State(Enum):
    """Where a visit stands."""

    DONE = "done"
    DUE = "due"
    OVERDUE = "overdue"
    LATER = "later"


@dataclass(frozen=True)
class Open:
    """The visit a patient is waiting for: its window, and the state on the day asked about."""

    label: str
    due_on: dt.date
    last_on: dt.date
    state: State

    def days_over(self, today: dt.date) -> int:
        """Return how many days the window has been over; 0 while it is not."""
        return max(0, (today - self.last_on).days)


def faults(visits: Sequence[Visit]) -> list[str]:
    """Say what is wrong with a schedule, in words.

    Parameters
    ----------
    visits
        The schedule in order of days.

    Returns
    -------
    list of str
        One sentence for each fault; empty for a sound schedule.
    """
    found = []
    for earlier, later in pairwise(visits):
        if later.after_days - later.early_days <= earlier.after_days - earlier.early_days:
            found.append(f"The window of '{later.label}' must open later than that of '{earlier.label}'.")
        if earlier.repeats:
            found.append(f"'{earlier.label}' repeats, so it must be the last visit.")
    if any(visit.repeats and visit.after_days < 30 for visit in visits):
        found.append("A repeating visit must be at least 30 days after the previous one.")
    return found


def _opening(visits: Sequence[Visit], days: int) -> tuple[Visit, int] | None:
    """Return the latest visit whose window has opened by a day after the implant, and the day it is planned for."""
    found = None
    for visit in visits:
        if days < visit.after_days - visit.early_days:
            break
        rounds = max(1, (days + visit.early_days) // visit.after_days) if visit.repeats else 1
        found = (visit, rounds * visit.after_days)
    return found


def standing(
    visits: Sequence[Visit], implanted_on: dt.date, last_seen_on: dt.date | None, today: dt.date
) -> Open | None:
    """Return the visit a patient is at: the latest whose window has opened.

    An earlier visit that was not made is no longer asked for once the next window has opened: it was missed. A visit is
    done by any follow-up from the day its window opened.

    Parameters
    ----------
    visits
        The schedule in order of days.
    implanted_on
        Day of the implant the schedule counts from.
    last_seen_on
        Day of the last follow-up after it.
    today
        The day to judge by.

    Returns
    -------
    Open or None
        None before the first window.
    """
    found = _opening(visits, (today - implanted_on).days)
    if found is None:
        return None
    visit, planned = found
    label = visit.label
    if visit.repeats and planned > visit.after_days:
        label = f"{visit.label}, time {planned // visit.after_days}"
    day = dt.timedelta(days=1)
    opened, due, last = (
        implanted_on + n * day for n in (planned - visit.early_days, planned, planned + visit.late_days)
    )
    if last_seen_on is not None and last_seen_on >= opened:
        return Open(label, due, last, State.DONE)
    return Open(label, due, last, State.OVERDUE if today > last else State.DUE)
