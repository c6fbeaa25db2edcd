"""Fields of the API that refuse what the stock ones let through."""

from __future__ import annotations

import datetime as dt
import math
from typing import Any

from django.db.models import Model, QuerySet
from rest_framework import exceptions, serializers

from registry.access import Right, centres_for, in_force
from registry.models import User
from registry.numbers.outside import impossible


class FiniteFloatField(serializers.FloatField):
    """A number; the words for 'not a number' and 'infinite' are none."""

    def to_internal_value(self, data: Any) -> float:
        """Refuse truth values, and what is not finite."""
        value = super().to_internal_value(data)
        if isinstance(data, bool) or not math.isfinite(value):
            self.fail("invalid")
        return value


class PossibleDateTimeField(serializers.DateTimeField):
    """A moment of our time; a year such as 1 or 9999 would end beyond the calendar in another time zone."""

    def to_internal_value(self, value: Any) -> dt.datetime:
        """Refuse other years."""
        moment = super().to_internal_value(value)
        if message := impossible(moment):
            raise serializers.ValidationError([message])
        return moment


class PossibleDateField(serializers.DateField):
    """A day of our time."""

    def to_internal_value(self, value: Any) -> dt.date:
        """Refuse other years."""
        day = super().to_internal_value(value)
        if message := impossible(day):
            raise serializers.ValidationError([message])
        return day


class Confirmed(serializers.BooleanField):
    """Whether somebody has looked at the unusual values and said they are right."""

    def __init__(self, **options: Any) -> None:
        super().__init__(default=False, help_text="True once a user has confirmed the unusual values.", **options)


class AmendmentReason(serializers.CharField):
    """Why a signed session is changed."""

    def __init__(self, **options: Any) -> None:
        super().__init__(
            default="",
            allow_blank=True,
            help_text="The reason for changing a signed session. Omit it while the session is open.",
            **options,
        )


class _VisibleKey(serializers.PrimaryKeyRelatedField):
    """The key of a record the person may see; any other key is 'not found', whether it exists or not."""

    def __init__(self, model: type[Model], **options: Any) -> None:
        self.model = model
        super().__init__(queryset=model._default_manager.all(), pk_field=serializers.UUIDField(), **options)

    def to_internal_value(self, data: Any) -> Any:
        """Find the record."""
        try:
            return super().to_internal_value(data)
        except serializers.ValidationError as error:
            if error.get_codes() == ["does_not_exist"]:
                raise exceptions.NotFound from None
            raise


class Reference(_VisibleKey):
    """The key of a record that belongs to one of the person's centres."""

    def __init__(self, model: type[Model], centre_path: str, **options: Any) -> None:
        self.centre_path = centre_path
        super().__init__(model, **options)

    def get_queryset(self) -> QuerySet[Any]:
        """Return the records of the person's centres."""
        centres = centres_for(self.context["request"].user, Right.SEE_SESSIONS)
        return self.model._default_manager.filter(**{f"{self.centre_path}__in": centres})


class Colleague(_VisibleKey):
    """The key of a user who is a member of one of the person's centres and has not left it."""

    def __init__(self, **options: Any) -> None:
        super().__init__(User, **options)

    def get_queryset(self) -> QuerySet[Any]:
        """Return the members."""
        centres = centres_for(self.context["request"].user, Right.SEE_SESSIONS)
        return User.objects.filter(in_force("memberships__"), memberships__centre__in=centres).distinct()
