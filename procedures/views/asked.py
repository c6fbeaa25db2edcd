"""Numbers that a request asks for."""

from __future__ import annotations

from collections.abc import Mapping

from registry.errors import RuleBroken
from registry.numbers.outside import NotANumber, decimal_number


def asked_number(given: Mapping[str, str], name: str, default: float, low: float, high: float) -> float:
    """Return a number that a request asks for, brought into its range.

    Raises
    ------
    RuleBroken
        When it is no number.
    """
    text = given.get(name, "")
    try:
        value = decimal_number(text) if text else default
    except NotANumber as error:
        raise RuleBroken(str(error)) from None
    return min(max(value, low), high)
