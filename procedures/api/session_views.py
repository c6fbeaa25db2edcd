"""Sessions, their log, and the decision."""

from __future__ import annotations

from typing import Any, cast
from uuid import UUID

from django.db import transaction
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from procedures.api import reading, writing
from procedures.models import AcuteResponse, Decision, Difficulty, LogEntry, Recording, ScannedPart, Session
from procedures.services.decisions import record_decision
from procedures.services.difficulties import note_difficulty
from procedures.services.scanning import put_scanned_part
from procedures.services.sessions import describe_session, log, open_session, sign_session
from registry.access import Right, require
from registry.api.schema import problems
from registry.api.views import RecordViewSet, WritableRecordViewSet
from registry.identity.merged import refuse_merged
from registry.login.reauthentication import require_confirmed
from registry.models import User


class SessionViewSet(WritableRecordViewSet):
    """Implant procedures."""

    queryset = Session.objects.defer("signed_content")
    serializer_class = reading.SessionSerializer
    write_serializer_class = writing.SessionWriteSerializer
    centre_path = "centre"
    filters = {"patient": "patient"}
    http_method_names = (*WritableRecordViewSet.http_method_names, "post")  # of the signature; records are PUT

    def write(self, *, by: User, key: UUID, version: int | None, values: dict[str, Any]) -> Session:
        """Open a session, or describe one that is there."""
        patient, reason = values.pop("patient"), values.pop("amendment_reason")
        stored = Session.objects.filter(pk=key).first()
        if stored is None:
            return open_session(by=by, patient=patient, key=key, **values)
        if stored.patient_id != patient.pk:
            with transaction.atomic():
                refuse_merged(patient)
            raise Session.DoesNotExist
        return describe_session(by=by, session=stored, version=version or 0, reason=reason, **values)

    @extend_schema(
        parameters=[OpenApiParameter("If-Match", exclude=True, location=OpenApiParameter.HEADER)],
        request=writing.SignatureSerializer,
        responses={200: reading.SessionSerializer} | problems("PUT"),
    )
    @action(detail=True, methods=["post"], url_path="sign", filter_backends=(), pagination_class=None)
    def sign(self, request: Request, pk: UUID) -> Response:
        """Sign the session as the person who is logged in, who shows again who they are.

        The password comes with the request, or a confirmation in the same log-in is at most some minutes old; without
        either the answer is 403 with the code ``confirmation_needed``.
        """
        session = self.get_object()
        require(cast(User, request.user), session.centre_id, Right.SIGN)
        sent = writing.SignatureSerializer(data=request.data)
        sent.is_valid(raise_exception=True)
        require_confirmed(request._request, sent.validated_data["password"])
        signed = sign_session(by=cast(User, request.user), session=session)
        return Response(reading.SessionSerializer(signed).data)


class LogEntryViewSet(WritableRecordViewSet):
    """The running notes of a session."""

    queryset = LogEntry.objects.all()
    serializer_class = reading.LogEntrySerializer
    write_serializer_class = writing.LogEntryWriteSerializer
    centre_path = "session__centre"
    filters = {"session": "session"}
    service = staticmethod(log)


class DecisionViewSet(WritableRecordViewSet):
    """Decisions of a session. The program never makes one."""

    queryset = Decision.objects.all()
    serializer_class = reading.DecisionSerializer
    write_serializer_class = writing.DecisionWriteSerializer
    centre_path = "session__centre"
    filters = {"session": "session"}
    service = staticmethod(record_decision)


class DifficultyViewSet(WritableRecordViewSet):
    """What stood in the way."""

    queryset = Difficulty.objects.all()
    serializer_class = reading.DifficultySerializer
    write_serializer_class = writing.DifficultyWriteSerializer
    centre_path = "session__centre"
    filters = {"session": "session"}
    service = staticmethod(note_difficulty)


class ScannedPartViewSet(WritableRecordViewSet):
    """Parts whose labels were scanned."""

    queryset = ScannedPart.objects.all()
    serializer_class = reading.ScannedPartSerializer
    write_serializer_class = writing.ScannedPartWriteSerializer
    centre_path = "session__centre"
    filters = {"session": "session"}
    service = staticmethod(put_scanned_part)


class RecordingViewSet(RecordViewSet):
    """Files of signals."""

    queryset = Recording.objects.all()
    serializer_class = reading.RecordingSerializer
    centre_path = "session__centre"
    filters = {"session": "session"}


class AcuteResponseViewSet(RecordViewSet):
    """Sites against baseline. Supports and does not replace the judgement of the licensed team."""

    queryset = AcuteResponse.objects.all()
    serializer_class = reading.AcuteResponseSerializer
    centre_path = "session__centre"
    filters = {"session": "session", "site": "site"}
