"""Errors that a service may raise. Their text is shown to people as it stands."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any


class RuleBroken(Exception):
    """What was asked breaks a rule of the trade or of the record; nothing was written.

    ``fields`` maps a field's name to the messages that belong beside it.
    """

    code = "rule_broken"
    status = 422

    def __init__(self, message: str, *, fields: dict[str, list[str]] | None = None) -> None:
        super().__init__(message)
        self.fields = fields or {}


class NeedsConfirmation(RuleBroken):
    """A value lies outside the usual range: accepted once somebody confirms it."""

    code = "needs_confirmation"


class PerhapsKnown(NeedsConfirmation):
    """Somebody who is to be registered looks like patients on record: accepted once they are said to be others.

    ``alike`` holds them, with the reasons, for the page that asks.
    """

    def __init__(self, message: str, *, alike: Sequence[Any]) -> None:
        super().__init__(message)
        self.alike = alike


class Conflict(Exception):
    """Somebody else changed the same record; both versions are given, neither is lost."""

    def __init__(self, message: str, *, yours: dict[str, Any], stored: dict[str, Any]) -> None:
        super().__init__(message)
        self.yours = yours
        self.stored = stored


class AccessDenied(Exception):
    """The person's role does not allow this."""
