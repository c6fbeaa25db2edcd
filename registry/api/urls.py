"""Addresses of the registry's API; the whole API is put together in ``procedures.api.urls``."""

from rest_framework.routers import SimpleRouter

from registry.api.views import register_kinds
from registry.kinds import KINDS

router = SimpleRouter(trailing_slash=False, use_regex_path=False)
register_kinds(router, KINDS)
