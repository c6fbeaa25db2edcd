"""Which visit a patient is at."""

import datetime as dt

import pytest

from registry.clinical.schedule import DEFAULT, State, Visit, faults, standing

IMPLANT = dt.date(2024, 1, 1)


def at(days, seen=None, visits=DEFAULT):
    last = None if seen is None else IMPLANT + dt.timedelta(days=seen)
    return standing(visits, IMPLANT, last, IMPLANT + dt.timedelta(days=days))


@pytest.mark.parametrize(
    ("days", "seen", "label", "state"),
    [
        (0, None, "discharge", State.DUE),
        (8, None, "discharge", State.OVERDUE),
        (13, 2, "discharge", State.DONE),
        (14, 2, "6 weeks", State.DUE),
        (84, 2, "6 weeks", State.DUE),
        (85, 2, "6 weeks", State.OVERDUE),
        (85, 40, "6 weeks", State.DONE),
        (100, None, "6 months", State.DUE),
        (274, 90, "6 months", State.OVERDUE),
        (274, 91, "6 months", State.DONE),
        (305, 200, "yearly", State.DUE),
        (456, 200, "yearly", State.OVERDUE),
        (670, 400, "yearly, time 2", State.DUE),
        (3700, 3600, "yearly, time 10", State.DONE),
    ],
)
def test_state_on_a_day(days, seen, label, state):
    found = at(days, seen)

    assert (found.label, found.state) == (label, state)


def test_before_the_first_window_nothing_is_asked():
    assert at(5, visits=(Visit("6 weeks", 42, 28, 42),)) is None


def test_days_over_count_from_the_end_of_the_window():
    found = at(90, 2)

    assert found.last_on == IMPLANT + dt.timedelta(days=84)
    assert found.days_over(IMPLANT + dt.timedelta(days=90)) == 6
    assert found.days_over(IMPLANT + dt.timedelta(days=80)) == 0


def test_the_default_schedule_is_without_fault():
    assert faults(DEFAULT) == []


def test_faults_are_named():
    assert faults((Visit("b", 42, 0, 5), Visit("a", 50, 20, 5))) == [
        "The window of 'a' must open later than that of 'b'."
    ]
    assert "'yearly' repeats, so it must be the last visit." in faults(
        (Visit("yearly", 365, 60, 90, repeats=True), Visit("2 years", 730, 60, 90))
    )
    assert "at least 30 days" in faults((Visit("weekly", 7, 1, 1, repeats=True),))[0]
