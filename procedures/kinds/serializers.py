"""Fields of the API that say what a model's own field cannot: a run of steps, the pacing in force, an operator."""

from __future__ import annotations

from typing import Any

from django.db.models import Q, QuerySet
from rest_framework import serializers

from procedures.models import PacingConfiguration, Recording
from procedures.selectors.sessions import sessions_for
from procedures.selectors.signals import reading_by
from registry.api.fields import Colleague, FiniteFloatField
from registry.api.serializers import KnownFieldsOnly, ReadSerializer, WriteSerializer
from registry.models import User

PACING = ("chambers", "rate_per_min", "av_delay_ms", "vv_delay_ms")


class Operator(Colleague):
    """The key of a colleague, or of somebody who has left since and is the operator of a session already."""

    def get_queryset(self) -> QuerySet[Any]:
        """Return them."""
        sessions = sessions_for(self.context["request"].user)
        named = sessions.filter(operator__isnull=False).order_by().values("operator")
        colleagues = super().get_queryset().values("pk")
        return User.objects.filter(Q(pk__in=colleagues) | Q(pk__in=named))


class ThresholdStepSerializer(serializers.Serializer[Any]):
    """One amplitude of a step-down run, and whether it captured."""

    amplitude_v = FiniteFloatField()
    captured = serializers.BooleanField()


class ThresholdStepWriteSerializer(KnownFieldsOnly):
    """One amplitude, and whether it captured."""

    amplitude_v = FiniteFloatField()
    captured = serializers.BooleanField()


class FileReadingSerializer(serializers.Serializer[Any]):
    """How far the reading of an uploaded file is; before it is ``read``, no epoch can be marked in it."""

    state = serializers.ChoiceField(choices=("waiting", "reading", "read", "failed"))
    percent = serializers.IntegerField()
    failure = serializers.CharField(help_text="Why it failed, or why the last attempt did while another is to come.")

    def to_representation(self, instance: Recording) -> dict[str, Any]:
        """Answer by the row of the stored form, which is read with the recording."""
        found: dict[str, Any] = super().to_representation(reading_by(getattr(instance, "signals", None)))
        return found


class PacingSerializer(ReadSerializer):
    """Chambers and delays in force."""

    class Meta:
        model = PacingConfiguration
        fields = PACING


class PacingWriteSerializer(WriteSerializer):
    """Chambers and delays in force; a positive VV delay is the left ventricle first."""

    class Meta:
        model = PacingConfiguration
        fields = PACING
