"""Who is taken for whom: invented people, one slip of the pen apart, and people who only look alike."""

import time

import pytest

from registry.identity.matching import Person, alike_pairs, alike_to, letters, signs

ANNA = ("Zebrafield", "Annabella", "1951-07-23", "HOSP-998877")


def pairs(*people):
    return alike_pairs(Person(number, *one) for number, one in enumerate(people))


@pytest.mark.parametrize(
    ("other", "reason"),
    [
        (("Zebrafield", "Annabella", "1951-07-23", "OTHER-1"), "same name"),
        (("Zebrafeild", "Annabella", "1951-07-23", "OTHER-1"), "similar name"),
        (("Annabella", "Zebrafield", "1951-07-23", "OTHER-1"), "family and given name swapped"),
        (("ZÉBRAFIELD", "Anna-Bella", "1951-07-23", "OTHER-1"), "same name"),
        (("Zebrafield", "Annabella", "1951-07-28", "OTHER-1"), "birth date differs in one digit"),
        (("Zebrafield", "Annabella", "1951-07-32", "OTHER-1"), "birth date differs in one digit"),
        (("Quite", "Different", "1990-01-01", "hosp 998877"), "same hospital number except for punctuation"),
        (("Zebrafield", "Annabella", "1960-01-01", "HOSP-998878"), "hospital number differs in one character"),
    ],
)
def test_one_slip_is_found_and_told(other, reason):
    (found,) = pairs(ANNA, other)

    assert (found.first, found.second) == (0, 1)
    assert reason in found.reasons


def test_one_person_is_held_against_many_the_most_alike_first():
    people = [("Zebrafeild", "Annabella", "1951-07-23", "B-2"), ("Quite", "Different", "1951-07-23", "C-3"), ANNA]
    found = alike_to(Person(9, *ANNA), [Person(number, *one) for number, one in enumerate(people)])

    assert [(pair.first, pair.second) for pair in found] == [(9, 2), (9, 0)]


def test_day_and_month_exchanged_are_found():
    (found,) = pairs(("Zebrafield", "Annabella", "1951-07-03", "A-1"), ("Zebrafield", "Annabella", "1951-03-07", "B-2"))

    assert "day and month of the birth date swapped" in found.reasons


@pytest.mark.parametrize(
    "other",
    [
        ("Zebrafield", "Bartholomew", "1951-07-23", "OTHER-1"),  # twins share a birth date and a family name
        ("Zebrafield", "Annabella", "1983-02-11", "OTHER-1"),  # named after the grandmother
        ("Quarrington", "Dorothea", "1951-07-23", "OTHER-1"),  # born on the same day
        ("Quarrington", "Dorothea", "1962-01-01", "HOSP-998878"),  # the next in the registration office
        ("Quarrington", "Dorothea", "1951-07-23", "HOSP-998878"),  # the next, and born on the same day
        ("Zebrefeldt", "Annabella", "1951-07-28", "OTHER-1"),  # both name and birth date are only similar
    ],
    ids=["twin", "same name", "same day", "next number", "next number and same day", "two slips"],
)
def test_people_who_only_look_alike_are_left_alone(other):
    assert pairs(ANNA, other) == []


def test_the_strongest_come_first_and_each_pair_once():
    found = pairs(
        ANNA, ("Zebrafeild", "Annabella", "1951-07-23", "X"), ("Zebrafield", "Annabella", "1951-07-23", "hosp998877")
    )

    assert [(one.first, one.second) for one in found] == [(0, 2), (1, 2), (0, 1)] or found[0].strength == 3
    assert len({(one.first, one.second) for one in found}) == len(found) == 3


def test_empty_names_and_numbers_match_nothing():
    assert pairs(("", "", "1951-07-23", ""), ("", "", "1962-01-01", "")) == []


def test_letters_and_signs():
    assert letters("O'Böse-Ähn ") == "obosedahn".replace("d", "")
    assert signs(" 00-12 a.7") == "12A7"


def test_thousands_are_compared_in_blocks(monkeypatch):
    """The number of comparisons grows with the people, not with their square."""
    from registry.identity import matching

    calls = []
    compare = matching.compare
    monkeypatch.setattr(matching, "compare", lambda a, b: calls.append(1) or compare(a, b))
    people = [
        (
            f"{chr(65 + n % 26)}{chr(97 + n // 26 % 26)}{n}name",
            f"{chr(97 + n % 19)}given{n}",
            f"19{40 + n % 50}-{1 + n % 12:02d}-{1 + n % 28:02d}",
            f"N{n:07d}",
        )
        for n in range(3000)
    ]
    begin = time.process_time()
    pairs(*people)

    assert len(calls) < 3000 * 20 < 3000 * 2999 / 2
    assert time.process_time() - begin < 60  # no measure of speed; it must end
