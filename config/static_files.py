"""Which static files are shipped: those of our pages and of the log-in library, not what other libraries bring."""

from __future__ import annotations

from typing import Any

from django.contrib.staticfiles.finders import AppDirectoriesFinder

UNUSED = {"rest_framework", "drf_spectacular", "django.contrib.admin"}


class UsedAppsFinder(AppDirectoriesFinder):
    """Look in the folders of the applications whose pages are served."""

    def __init__(self, app_names: Any = None, *args: Any, **kwargs: Any) -> None:
        super().__init__(app_names, *args, **kwargs)
        for name in UNUSED & set(self.storages):
            self.apps.remove(name)
            del self.storages[name]
