"""What is answered where no view did: in the API's envelope to programs, as a page to people."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse, JsonResponse
from django.views import defaults


def _envelope(status: int, code: str, message: str) -> JsonResponse:
    return JsonResponse({"code": code, "message": message, "fields": {}}, status=status)


def _by_program(request: HttpRequest) -> bool:
    return request.path.startswith("/api/")


def bad_request(request: HttpRequest, exception: Exception) -> HttpResponse:
    """Answer a request that is not one, such as one for a host that is not served."""
    if _by_program(request):
        return _envelope(400, "bad_request", "This request cannot be read.")
    return defaults.bad_request(request, exception)


def not_found(request: HttpRequest, exception: Exception) -> HttpResponse:
    """Answer an address that leads nowhere."""
    if _by_program(request):
        return _envelope(404, "not_found", "This was not found.")
    return defaults.page_not_found(request, exception)


def server_error(request: HttpRequest) -> HttpResponse:
    """Answer a fault of ours."""
    if _by_program(request):
        return _envelope(500, "error", "Something went wrong. No incomplete data were saved. Try again.")
    return defaults.server_error(request)
