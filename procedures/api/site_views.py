"""Sites in the API: beside reading and writing, the electrode pairs tried."""

from __future__ import annotations

from uuid import UUID

from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from procedures.api.electrodes import ElectrodeGridSerializer
from procedures.kinds.sites import SITE
from procedures.selectors.finding import measurements_at
from procedures.selectors.lead_measurements import electrode_grid
from registry.api.views import WritableRecordViewSet


class SiteViewSet(WritableRecordViewSet):
    """Tested lead positions."""

    kind = SITE

    @action(detail=True, methods=["get"], serializer_class=ElectrodeGridSerializer, filter_backends=())
    def electrodes(self, request: Request, pk: UUID) -> Response:
        """Answer the electrode pairs tried at a site: thresholds, margins and strength-duration curves."""
        site = self.get_object()
        return Response(self.get_serializer(electrode_grid(site, measurements_at(site))).data)
