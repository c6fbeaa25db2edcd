"""Epochs in the API: beside reading and writing, the metrics typed for them."""

from __future__ import annotations

from uuid import UUID

from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from procedures.api import writing
from procedures.kinds.epochs import EPOCH, EPOCH_METRIC
from procedures.services.epochs import TypedMetric, enter_metrics
from registry.api.building import answered_by
from registry.api.schema import problems
from registry.api.views import WritableRecordViewSet


class EpochViewSet(WritableRecordViewSet):
    """Steady stretches: baselines and sites."""

    kind = EPOCH

    @extend_schema(
        parameters=[OpenApiParameter("If-Match", exclude=True, location=OpenApiParameter.HEADER)],
        request=writing.EnteredMetricsSerializer,
        responses={200: answered_by(EPOCH_METRIC)(many=True)} | problems("PUT"),
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
        return Response(answered_by(EPOCH_METRIC)(epoch.metrics.all(), many=True).data)
