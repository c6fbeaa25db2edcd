"""The rules that take the person out of the data. Pure: standard library only."""

from __future__ import annotations

import datetime as dt
import hashlib
import hmac
from uuid import UUID

LONGEST_SHIFT_DAYS = 365
# 45 CFR 164.514(b)(2)(i)(C): ages over 89 go into one group.
OLDEST_TOLD = 89
OLD = "90+"
WITHHELD = "withheld"
KEY_MIN_LENGTH = 32


class Deidentifier:
    """Pseudonyms and date shifts from one secret key: the same key gives the same ones, no key gives none back."""

    def __init__(self, key: str) -> None:
        """Take the export key, at least 32 characters of text that nobody can guess."""
        if len(key) < KEY_MIN_LENGTH:
            raise ValueError(f"The export key must have at least {KEY_MIN_LENGTH} characters.")
        self._key = key.encode()

    def _draw(self, purpose: str, about: str) -> bytes:
        return hmac.new(self._key, f"{purpose}\0{about}".encode(), hashlib.sha256).digest()

    @property
    def fingerprint(self) -> str:
        """A name of the key: two exports with the same fingerprint can be linked, others cannot."""
        return self._draw("fingerprint", "").hex()[:16]

    def pseudonym(self, kind: str, key: UUID) -> str:
        """Return 80 bits of keyed hash in place of a record's key."""
        return self._draw(f"pseudonym of {kind}", str(key)).hex()[:20]

    def shift_days(self, patient: UUID) -> int:
        """Return the patient's shift: every whole number from -365 to 365 except 0, equally likely."""
        draw = int.from_bytes(self._draw("shift", str(patient))) % (2 * LONGEST_SHIFT_DAYS)
        return draw - LONGEST_SHIFT_DAYS if draw < LONGEST_SHIFT_DAYS else draw - LONGEST_SHIFT_DAYS + 1

    def shifted(self, patient: UUID, day: dt.date) -> dt.date:
        """Return a day under the patient's shift. One shift for all of a patient's days, so intervals stay exact."""
        return day + dt.timedelta(days=self.shift_days(patient))


def age_told(years: int, years_at_last_day: int) -> str:
    """Return an age as it may be told.

    Parameters
    ----------
    years
        Age in completed years on the day the age is about.
    years_at_last_day
        Age on the patient's last exported day.

    Returns
    -------
    str
        The age up to 89; "90+" above; "withheld" when the patient turned 90 later within the exported days, since the
        age and the exact intervals together would tell an age over 89.
    """
    if years > OLDEST_TOLD:
        return OLD
    return WITHHELD if years_at_last_day > OLDEST_TOLD else str(years)
