"""What every page's frame needs."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.http import HttpRequest

from registry.access import Right, rights_anywhere
from registry.caution import CAUTION
from registry.login import idle


def navigation(request: HttpRequest) -> dict[str, Any]:
    """Return the caution and which rooms the person may enter, by name of the right."""
    rights = rights_anywhere(request.user) if request.user.is_authenticated else set()
    watch = idle.kept(request) if request.user.is_authenticated else {}
    return {
        "caution": CAUTION,
        "hospital_log_in": {"id": settings.OIDC_ID, "name": settings.OIDC_NAME} if settings.OIDC_URL else None,
        "may": {right.name.lower(): right in rights for right in Right},
        "idle_s": watch.get("idle_s"),
        "factor_from": watch.get("factor_from"),
    }
