"""Addresses of the API."""

from django.urls import path
from rest_framework.routers import SimpleRouter

from procedures.api import bedside_views, ecgs, epoch_views, session_views, site_views
from registry.api.urls import router as registry_router

router = SimpleRouter(trailing_slash=False, use_regex_path=False)
router.register("sessions", session_views.SessionViewSet)
router.register("log-entries", session_views.LogEntryViewSet)
router.register("tributaries", site_views.TributaryViewSet)
router.register("sites", site_views.SiteViewSet)
router.register("lead-measurements", site_views.LeadMeasurementViewSet)
router.register("threshold-tests", site_views.ThresholdTestViewSet)
router.register("difficulties", session_views.DifficultyViewSet)
router.register("scanned-parts", session_views.ScannedPartViewSet)
router.register("epochs", epoch_views.EpochViewSet)
router.register("epoch-metrics", epoch_views.EpochMetricViewSet)
router.register("recordings", session_views.RecordingViewSet)
router.register("ecgs", ecgs.EcgViewSet)
router.register("interval-readings", ecgs.IntervalReadingViewSet)
router.register("responses", session_views.AcuteResponseViewSet)
router.register("decisions", session_views.DecisionViewSet)

app_name = "api"
urlpatterns = [
    *registry_router.urls,
    *router.urls,
    path("bedside/token", bedside_views.TokenView.as_view(), name="bedside_token"),
    path("bedside/entries", bedside_views.EntriesView.as_view(), name="bedside_entries"),
    path("bedside/sessions/<uuid:pk>", bedside_views.StateView.as_view(), name="bedside_session"),
]
