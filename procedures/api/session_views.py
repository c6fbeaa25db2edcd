"""Sessions in the API: beside reading and writing, their signature."""

from __future__ import annotations

from typing import cast
from uuid import UUID

from django.http import HttpRequest
from django.urls import reverse
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from procedures.api import writing
from procedures.kinds.sessions import SESSION
from procedures.services.sessions import sign_session
from registry.access import Right, require
from registry.api.building import answered_by
from registry.api.schema import problems
from registry.api.views import WritableRecordViewSet
from registry.login.reauthentication import confirm_signature
from registry.models import User


class SessionViewSet(WritableRecordViewSet):
    """Implant procedures."""

    kind = SESSION
    http_method_names = (*WritableRecordViewSet.http_method_names, "post")  # of the signature; records are PUT

    @extend_schema(
        parameters=[OpenApiParameter("If-Match", exclude=True, location=OpenApiParameter.HEADER)],
        request=writing.SignatureSerializer,
        responses={200: answered_by(SESSION)} | problems("PUT"),
    )
    @action(detail=True, methods=["post"], url_path="sign", filter_backends=(), pagination_class=None)
    def sign(self, request: Request, pk: UUID) -> Response:
        """Sign the session as the person who is logged in, who shows again who they are.

        The password comes with the request, or a code or passkey was given for the page of this signature in the last
        minutes; without either the answer is 403 with the code ``confirmation_needed``.
        """
        session = self.get_object()
        require(cast(User, request.user), session.centre_id, Right.SIGN)
        sent = writing.SignatureSerializer(data=request.data)
        sent.is_valid(raise_exception=True)
        page = reverse("procedures:sign", args=[session.pk])
        confirm_signature(cast(HttpRequest, request), sent.validated_data["password"], page=page)
        signed = sign_session(by=cast(User, request.user), session=session)
        return Response(answered_by(SESSION)(signed).data)
