"""Addresses of the whole site."""

from django.urls import include, path
from drf_spectacular.views import SpectacularJSONAPIView
from rest_framework.permissions import IsAuthenticated

from config.home import home
from config.watching.health import healthz, metrics, readyz

handler400 = "config.faults.bad_request"
handler404 = "config.faults.not_found"
handler500 = "config.faults.server_error"
urlpatterns = [
    path("", home, name="home"),
    path("", include("registry.login.urls")),
    path("", include("procedures.urls")),
    path("", include("registry.urls")),
    path("", include("analytics.urls")),
    path("healthz", healthz, name="healthz"),
    path("readyz", readyz, name="readyz"),
    path("metrics", metrics, name="metrics"),
    path("api/v1/", include("procedures.api.urls")),
    path("api/v1/openapi.json", SpectacularJSONAPIView.as_view(permission_classes=[IsAuthenticated]), name="openapi"),
]
