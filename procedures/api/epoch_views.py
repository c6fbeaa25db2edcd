"""Epochs and their metrics."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.db import transaction
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from procedures.api import reading, writing
from procedures.models import Epoch, EpochMetric, Session
from procedures.services.epochs import TypedMetric, enter_metrics, put_epoch, put_pacing
from registry.api.schema import problems
from registry.api.views import RecordViewSet, WritableRecordViewSet
from registry.models import User


class EpochViewSet(WritableRecordViewSet):
    """Steady stretches: baselines and sites."""

    queryset = Epoch.objects.select_related("pacing")
    serializer_class = reading.EpochSerializer
    write_serializer_class = writing.EpochWriteSerializer
    centre_path = "session__centre"
    filters = {"session": "session", "site": "site"}

    @transaction.atomic
    def write(self, *, by: User, key: UUID, version: int | None, values: dict[str, Any]) -> Epoch:
        """Write an epoch and the pacing in force, both or neither."""
        session: Session = values.pop("session")
        reason, pacing = values.pop("amendment_reason"), values.pop("pacing")
        if pacing is not None:
            pacing = put_pacing(by=by, session=session, reason=reason, **pacing)
        return put_epoch(by=by, session=session, key=key, version=version, reason=reason, pacing=pacing, **values)

    @extend_schema(
        parameters=[OpenApiParameter("If-Match", exclude=True, location=OpenApiParameter.HEADER)],
        request=writing.EnteredMetricsSerializer,
        responses={200: reading.EpochMetricSerializer(many=True)} | problems("PUT"),
    )
    @action(detail=True, methods=["put"], url_path="metrics", filter_backends=(), pagination_class=None)
    def metrics(self, request: Request, pk: UUID) -> Response:
        """Enter metrics of the epoch by hand; those not named stay. Answers all metrics of the epoch.

        An entered metric is changed by naming the ``version`` it was read at; the same again is a replay.
        """
        epoch = self.get_object()
        sent = writing.EnteredMetricsSerializer(data=request.data)
        sent.is_valid(raise_exception=True)
        enter_metrics(
            by=request.user,  # type: ignore[arg-type] # permissions ran before
            epoch=epoch,
            metrics={key: TypedMetric(**typed) for key, typed in sent.validated_data["metrics"].items()},
            confirmed=sent.validated_data["confirmed"],
            reason=sent.validated_data["amendment_reason"],
        )
        return Response(reading.EpochMetricSerializer(epoch.metrics.all(), many=True).data)


class EpochMetricViewSet(RecordViewSet):
    """Metrics of epochs; they are entered under the epoch."""

    queryset = EpochMetric.objects.all()
    serializer_class = reading.EpochMetricSerializer
    centre_path = "epoch__session__centre"
    filters = {"session": "epoch__session", "epoch": "epoch"}
