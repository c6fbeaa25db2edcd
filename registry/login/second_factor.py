"""Whether somebody needs a second factor to log in: their centres say from which day, if they see identifiers there."""

from __future__ import annotations

import datetime as dt

from allauth.mfa.models import Authenticator

from registry.access import Right, centres_for
from registry.models import User


def needed_from(user: User) -> dt.date | None:
    """Return the first day on which one of the user's centres asks for a second factor; nothing when none does."""
    asking = centres_for(user, Right.SEE_IDENTITY).filter(second_factor_from__isnull=False)
    days = [day for day in asking.values_list("second_factor_from", flat=True) if day]
    return min(days, default=None)


def factors_of(user: User) -> int:
    """Return how many second factors a user has set up; recovery codes stand in for one and are none."""
    return Authenticator.objects.filter(user=user).exclude(type=Authenticator.Type.RECOVERY_CODES).count()


def missing_from(user: User) -> dt.date | None:
    """Return the day from which the user is kept out until a second factor is set up; nothing when all is well."""
    day = needed_from(user)
    return day if day and not factors_of(user) else None
