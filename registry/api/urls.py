"""Addresses of the registry's API; the whole API is put together in ``procedures.api.urls``."""

from rest_framework.routers import SimpleRouter

from registry.api.records import (
    AdverseEventViewSet,
    AssessmentViewSet,
    ConsentViewSet,
    DeviceCheckViewSet,
    DeviceViewSet,
    PatientViewSet,
)

router = SimpleRouter(trailing_slash=False, use_regex_path=False)
router.register("patients", PatientViewSet)
router.register("consents", ConsentViewSet)
router.register("devices", DeviceViewSet)
router.register("assessments", AssessmentViewSet)
router.register("device-checks", DeviceCheckViewSet)
router.register("adverse-events", AdverseEventViewSet)
