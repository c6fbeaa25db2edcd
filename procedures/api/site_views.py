"""Tributaries, sites and what was measured at them."""

from __future__ import annotations

from uuid import UUID

from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from procedures.api import reading, writing
from procedures.api.electrodes import ElectrodeGridSerializer
from procedures.models import LeadMeasurement, Site, ThresholdTest, Tributary
from procedures.selectors.lead_measurements import electrode_grid
from procedures.services.sites import put_measurement, put_site, put_tributary
from procedures.services.thresholds import put_threshold_test
from registry.api.views import WritableRecordViewSet


class TributaryViewSet(WritableRecordViewSet):
    """Tributaries of the coronary sinus."""

    queryset = Tributary.objects.all()
    serializer_class = reading.TributarySerializer
    write_serializer_class = writing.TributaryWriteSerializer
    centre_path = "session__centre"
    filters = {"session": "session"}
    service = staticmethod(put_tributary)


class SiteViewSet(WritableRecordViewSet):
    """Tested lead positions."""

    queryset = Site.objects.all()
    serializer_class = reading.SiteSerializer
    write_serializer_class = writing.SiteWriteSerializer
    centre_path = "session__centre"
    filters = {"session": "session", "tributary": "tributary"}
    service = staticmethod(put_site)

    @action(detail=True, methods=["get"], serializer_class=ElectrodeGridSerializer, filter_backends=())
    def electrodes(self, request: Request, pk: UUID) -> Response:
        """Answer the electrode pairs tried at a site: thresholds, margins and strength-duration curves."""
        site = self.get_object()
        return Response(self.get_serializer(electrode_grid(site, list(site.measurements.all()[:500]))).data)


class LeadMeasurementViewSet(WritableRecordViewSet):
    """Electrical measurements at a site."""

    queryset = LeadMeasurement.objects.all()
    serializer_class = reading.LeadMeasurementSerializer
    write_serializer_class = writing.LeadMeasurementWriteSerializer
    centre_path = "site__session__centre"
    filters = {"session": "site__session", "site": "site"}
    service = staticmethod(put_measurement)


class ThresholdTestViewSet(WritableRecordViewSet):
    """Step-down runs for the capture threshold."""

    queryset = ThresholdTest.objects.all()
    serializer_class = reading.ThresholdTestSerializer
    write_serializer_class = writing.ThresholdTestWriteSerializer
    centre_path = "site__session__centre"
    filters = {"session": "site__session", "site": "site"}
    service = staticmethod(put_threshold_test)
