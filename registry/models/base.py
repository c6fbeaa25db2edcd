"""What every stored record shares."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar, Self
from uuid import UUID

from django.core.exceptions import ValidationError
from django.db import models
from uuid_utils.compat import uuid7

from registry.models.constraints import FIELD_CODE
from registry.models.declared import UPKEEP, declare, pseudonym, withheld


def new_key() -> UUID:
    """Return a UUIDv7: time-ordered, and a tablet can mint one without asking the server."""
    return uuid7()


class Record(models.Model):
    """A record with a key that may come from outside, and a version that guards against silent overwriting."""

    id = models.UUIDField(primary_key=True, default=new_key, editable=False)
    version = models.PositiveIntegerField(default=1, editable=False)
    created_at = models.DateTimeField(auto_now_add=True)
    updated_at = models.DateTimeField(auto_now=True)

    handling = declare(
        pseudonym("id"),
        withheld("version created_at updated_at", UPKEEP),
    )

    # What to tell a user who enters the same thing twice, by the field to correct.
    recorded_twice: ClassVar[tuple[tuple[str, str], ...]] = ()

    class Meta:
        abstract = True

    def unique_error_message(self, model_class: type[Self], unique_check: Sequence[str]) -> ValidationError:
        """Say what to do, beside the field to correct; Django's own message names the columns of the constraint."""
        for field, message in self.recorded_twice:
            if field in unique_check:
                return ValidationError(message, code=f"{FIELD_CODE}{field}")
        if len(unique_check) == 1:
            return super().unique_error_message(model_class, unique_check)
        name = model_class._meta.verbose_name
        return ValidationError(f"This {name} is already recorded. Correct the existing {name} instead.", code="unique")
