"""Numbers that a request asks for."""

from __future__ import annotations

import math
from collections.abc import Mapping

from registry.errors import RuleBroken


def asked_number(given: Mapping[str, str], name: str, default: float, low: float, high: float) -> float:
    """Return a number that a request asks for, brought into its range.

    Raises
    ------
    RuleBroken
        When it is no number.
    """
    text = given.get(name, "")
    try:
        value = float(text) if text else default
    except ValueError:
        raise RuleBroken(f"'{text}' is not a number.") from None
    if not math.isfinite(value):
        raise RuleBroken(f"'{text}' is not a number.")
    return min(max(value, low), high)
