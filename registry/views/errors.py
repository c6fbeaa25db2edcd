"""From the services' errors to what a person sees: a refusal page, or "not found".

A view catches :class:`RuleBroken` where it holds a form (``registry/forms/rules.py``); everything else is left to
:class:`ServiceErrorPages`, the middleware.
"""

from __future__ import annotations

from collections.abc import Callable

from django.contrib import messages
from django.core.exceptions import ObjectDoesNotExist, PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render

from registry.errors import AccessDenied, Conflict, RuleBroken
from registry.login.access_log import refused
from registry.login.reauthentication import ConfirmFirst, to_confirmation


def status_of(error: RuleBroken | Conflict) -> int:
    """Return the status of an answer that says the error."""
    return error.status if isinstance(error, RuleBroken) else 409


class ServiceErrorPages:
    """Middleware: a denied right is a refusal page (403), a missing object is "not found" (404).

    An object of another centre is missing to the viewer, never forbidden: nobody learns that it exists.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        """Pass on."""
        return self.get_response(request)

    def process_exception(self, request: HttpRequest, exception: Exception) -> HttpResponse | None:
        """Answer the errors of services and selectors; anything else stays a fault of ours."""
        if isinstance(exception, ConfirmFirst):
            if exception.lost:
                messages.warning(request, "Confirm your identity first. Then do it again: nothing has been changed.")
            return to_confirmation(request, exception.back_to)
        if isinstance(exception, AccessDenied | PermissionDenied):
            refused(request, 403)
            context = {"reason": str(exception) or "Your role does not allow this."}
            return render(request, "registry/not_allowed.html", context, status=403)
        if isinstance(exception, ObjectDoesNotExist):
            refused(request, 404)
            raise Http404(str(exception)) from exception
        if isinstance(exception, RuleBroken | Conflict):
            # A rule broken where there is no form to show it on, for instance a button pressed twice.
            context = {"reason": str(exception)}
            return render(request, "registry/refused.html", context, status=status_of(exception))
        return None
