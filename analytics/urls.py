"""Addresses of the analytics room."""

from django.urls import path

from analytics.views import audit, quality

app_name = "analytics"
urlpatterns = [
    path("audit/", audit.audit, name="audit"),
    path("audit/figure.json", audit.audit_figure, name="audit_figure"),
    path("audit/<slug:indicator>/sessions/", audit.audit_sessions, name="audit_sessions"),
    path("quality/", quality.quality, name="quality"),
    path("quality/figure.json", quality.quality_figure, name="quality_figure"),
    path("quality/<slug:item>/", quality.quality_list, name="quality_list"),
]
