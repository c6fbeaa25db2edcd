"""Addresses of the API."""

from django.urls import path
from rest_framework.routers import SimpleRouter

from procedures.api import bedside_views
from procedures.api.ecgs import EcgViewSet
from procedures.api.epoch_views import EpochViewSet
from procedures.api.session_views import SessionViewSet
from procedures.api.site_views import SiteViewSet
from procedures.kinds import KINDS
from registry.api.urls import router as registry_router
from registry.api.views import register_kinds

router = SimpleRouter(trailing_slash=False, use_regex_path=False)
# Those that answer more than records, or records in another way.
VIEWS = {
    "sessions": SessionViewSet,
    "sites": SiteViewSet,
    "epochs": EpochViewSet,
    "ecgs": EcgViewSet,
}
register_kinds(router, KINDS, VIEWS)

app_name = "api"
urlpatterns = [
    *registry_router.urls,
    *router.urls,
    path("bedside/token", bedside_views.TokenView.as_view(), name="bedside_token"),
    path("bedside/entries", bedside_views.EntriesView.as_view(), name="bedside_entries"),
    path("bedside/sessions/<uuid:pk>", bedside_views.StateView.as_view(), name="bedside_session"),
]
