"""Whether somebody needs a second factor to log in: their centres say from which day, if they see identifiers there."""

from __future__ import annotations

import datetime as dt
from uuid import UUID

from allauth.mfa.models import Authenticator

from registry.access import Right, centres_for
from registry.models import User


def needed_from(user: User) -> dt.date | None:
    """Return the first day on which one of the user's centres asks for a second factor; nothing when none does."""
    return min(_asking(user).values(), default=None)


def _asking(user: User) -> dict[UUID, dt.date]:
    centres = centres_for(user, Right.SEE_IDENTITY).filter(second_factor_from__isnull=False)
    return {key: day for key, day in centres.values_list("pk", "second_factor_from") if day}


def factors_of(user: User) -> int:
    """Return how many second factors a user has set up; recovery codes stand in for one and are none."""
    return Authenticator.objects.filter(user=user).exclude(type=Authenticator.Type.RECOVERY_CODES).count()


def missing_in(user: User) -> dict[str, str]:
    """Return the centres that the user cannot enter without a second factor, each with its first day; none is well."""
    asking = _asking(user)
    return {} if asking and factors_of(user) else {str(key): day.isoformat() for key, day in asking.items()}
