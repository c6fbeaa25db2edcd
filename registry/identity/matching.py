"""How alike two persons' identifiers are. Pure: plain text in, a judgement with its reasons out.

The thresholds are a project choice; Jaro-Winkler (Winkler, "String comparator metrics and enhanced decision rules in
the Fellegi-Sunter model of record linkage", 1990) is the usual measure for names, computed by rapidfuzz.
"""

from __future__ import annotations

import unicodedata
from collections import defaultdict
from collections.abc import Hashable, Iterable, Iterator
from dataclasses import dataclass
from itertools import combinations
from typing import Generic, TypeVar

from rapidfuzz.distance import OSA, JaroWinkler

SIMILAR, CLOSE = 0.88, 0.94
# Blocks larger than this are no evidence: everybody born on 1 January 1900, say.
LARGEST_BLOCK = 400

K = TypeVar("K", bound=Hashable)


def letters(text: str) -> str:
    """Return a name's letters only, without accents and case."""
    plain = unicodedata.normalize("NFKD", text.casefold())
    return "".join(sign for sign in plain if sign.isalpha())


def signs(text: str) -> str:
    """Return a number's letters and digits only, without leading zeros."""
    return "".join(sign for sign in text.upper() if sign.isalnum()).lstrip("0")


@dataclass(frozen=True)
class Person(Generic[K]):
    """What is compared; the birth date is ISO text."""

    key: K
    family_name: str
    given_name: str
    birth_date: str
    number: str


@dataclass(frozen=True)
class Alike(Generic[K]):
    """Two persons who may be one, why, and how strongly (0 to 3)."""

    first: K
    second: K
    reasons: tuple[str, ...]
    strength: float


@dataclass(frozen=True)
class _Prepared(Generic[K]):
    key: K
    family: str
    given: str
    born: str
    number: str


def _names(first: _Prepared[K], second: _Prepared[K]) -> tuple[float, str]:
    straight = min(
        JaroWinkler.similarity(first.family, second.family), JaroWinkler.similarity(first.given, second.given)
    )
    crossed = min(
        JaroWinkler.similarity(first.family, second.given), JaroWinkler.similarity(first.given, second.family)
    )
    if crossed > straight and crossed >= SIMILAR:
        return crossed, "family and given name swapped"
    return straight, "same name" if straight == 1 else "similar name"


def _births(first: str, second: str) -> tuple[float, str]:
    if first == second:
        return 1.0, "same birth date"
    if first[:4] == second[:4] and first[5:7] == second[8:] and first[8:] == second[5:7]:
        return 0.8, "day and month of the birth date swapped"
    if OSA.distance(first, second, score_cutoff=1) == 1:
        return 0.8, "birth date differs in one digit"
    return 0.0, ""


def _numbers(first: str, second: str) -> tuple[float, str]:
    if first and first == second:
        return 1.0, "same hospital number except for punctuation"
    if min(len(first), len(second)) >= 5 and OSA.distance(first, second, score_cutoff=1) == 1:
        return 0.5, "hospital number differs in one character"
    return 0.0, ""


def compare(first: _Prepared[K], second: _Prepared[K]) -> Alike[K] | None:
    """Return the judgement on a pair, or none when they are not alike enough.

    Alike are: the same number; the same birth date and a similar name; nearly the same birth date and a close name;
    nearly the same number and, with it, the same birth date or a close name.
    """
    name, name_words = _names(first, second)
    born, born_words = _births(first.born, second.born)
    number, number_words = _numbers(first.number, second.number)
    near_number = number == 0.5 and name >= SIMILAR and (born == 1 or name >= CLOSE)
    if not (number == 1 or (born == 1 and name >= SIMILAR) or (born > 0 and name >= CLOSE) or near_number):
        return None
    told = [
        words for words, holds in ((name_words, name >= SIMILAR), (born_words, born), (number_words, number)) if holds
    ]
    return Alike(first.key, second.key, tuple(told), (name if name >= SIMILAR else 0.0) + born + number)


def _prepared(one: Person[K]) -> _Prepared[K]:
    return _Prepared(one.key, letters(one.family_name), letters(one.given_name), one.birth_date, signs(one.number))


def alike_to(one: Person[K], people: Iterable[Person[K]]) -> list[Alike[K]]:
    """Return who may be the same person as one, who stands first in each pair; the strongest first.

    Parameters
    ----------
    one
        The person who is looked for.
    people
        Persons of one centre.
    """
    sought = _prepared(one)
    found = [alike for other in people if (alike := compare(sought, _prepared(other)))]
    return sorted(found, key=lambda alike: -alike.strength)


def _blocks(people: list[_Prepared[K]]) -> Iterator[list[_Prepared[K]]]:
    """Yield small groups among which alike pairs lie, so that not everybody is compared with everybody."""
    groups: dict[tuple[str, ...], list[_Prepared[K]]] = defaultdict(list)
    for one in people:
        groups["born", one.born].append(one)
        groups["number", one.number].append(one)
        for name in {one.family[:3], one.given[:3]}:
            groups["year", name, one.born[:4]].append(one)
        groups["name", *sorted((one.family, one.given))].append(one)
    return (group for group in groups.values() if 1 < len(group) <= LARGEST_BLOCK)


def alike_pairs(people: Iterable[Person[K]]) -> list[Alike[K]]:
    """Return the pairs that may be one person, the strongest first; each pair once, first key before second.

    Parameters
    ----------
    people
        Persons of one centre; an empty name or number matches nothing.
    """
    prepared = [_prepared(one) for one in people]
    order = {one.key: place for place, one in enumerate(prepared)}
    found: dict[tuple[K, K], Alike[K]] = {}
    for block in _blocks(prepared):
        for first, second in combinations(block, 2):
            if order[first.key] > order[second.key]:
                first, second = second, first
            pair = (first.key, second.key)
            if pair not in found and (alike := compare(first, second)):
                found[pair] = alike
    return sorted(found.values(), key=lambda alike: (-alike.strength, order[alike.first], order[alike.second]))
