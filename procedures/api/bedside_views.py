"""What the bedside page talks to: the log-in's state and token, a batch of entries, and the session."""

from __future__ import annotations

import hashlib
import json
import re
import time
from typing import Any, cast
from uuid import UUID

from django.core.exceptions import ObjectDoesNotExist, RequestDataTooBig
from django.db import IntegrityError
from django.http import Http404, HttpRequest
from django.middleware.csrf import get_token
from django.utils import timezone
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import exceptions, serializers
from rest_framework.permissions import AllowAny
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.settings import api_settings
from rest_framework.views import APIView

from procedures.api import bedside_state
from procedures.api.bedside_kinds import ENTRIES, Entry
from procedures.models import Session
from procedures.selectors.bedside import cursor_of
from procedures.selectors.sessions import sessions_for
from procedures.services.bedside import Envelope, InProgress, Waits, take, take_back, version_after
from registry.access import Right, in_force
from registry.api.fields import PossibleDateTimeField
from registry.api.schema import problems
from registry.errors import AccessDenied, Conflict, RuleBroken
from registry.models import User
from registry.numbers.outside import NotANumber, whole_number
from registry.trail.canonical import text_of

MOST_ENTRIES = 50
MOST_BYTES = 512 * 1024
MOST_SECONDS = 4.0
SAME_NAME = "Another tablet has entered one with this name. Is it the same?"
# What a person may meet in an entry; everything else is a fault and fails the request, to be sent again.
_MEANT_FOR_PEOPLE = (
    *(Conflict, RuleBroken, AccessDenied, ObjectDoesNotExist, Http404, exceptions.APIException),
    RecursionError,
)
_HALF = re.compile("[\ud800-\udfff]")
UNREADABLE = "The text has an invalid character, such as a broken emoji. Enter the text again."


class EntrySerializer(serializers.Serializer[Any]):
    """One entry of an outbox."""

    id = serializers.UUIDField(help_text="The tablet's key of this entry; sending the same key again is a replay.")
    sequence = serializers.IntegerField(min_value=0, max_value=2**63 - 1, help_text="The tablet's own count.")
    kind = serializers.CharField(max_length=30)
    key = serializers.CharField(max_length=100, help_text="The key of the record it writes.")
    version = serializers.IntegerField(required=False, allow_null=True, default=None, min_value=1, max_value=2**31 - 1)
    based_on = serializers.UUIDField(
        required=False, allow_null=True, default=None, help_text="The entry whose outcome this one edits."
    )
    captured_at = PossibleDateTimeField(help_text="The tablet's clock when it was entered.")
    captured_by = serializers.UUIDField(required=False, allow_null=True, default=None)
    remove = serializers.BooleanField(default=False)
    payload = serializers.DictField()


class BatchSerializer(serializers.Serializer[Any]):
    """Entries of one session, in the order they were entered."""

    session = serializers.UUIDField()
    device = serializers.UUIDField()
    sent_at = PossibleDateTimeField(help_text="The tablet's clock now.")
    entries = EntrySerializer(many=True, allow_empty=False, max_length=MOST_ENTRIES)  # type: ignore[call-arg] # of the list


class AnswersSerializer(serializers.Serializer[Any]):
    """An answer for each entry, in order: stored, replayed, conflict, refused, waits, retry or later."""

    server_now = serializers.DateTimeField()
    answers = serializers.ListField(child=serializers.DictField())


class TokenSerializer(serializers.Serializer[Any]):
    """Who is logged in, and the token for writing."""

    me = serializers.UUIDField(allow_null=True)
    token = serializers.CharField()
    server_now = serializers.DateTimeField()


class StateSerializer(serializers.Serializer[Any]):
    """A session as the page keeps it."""

    cursor = serializers.IntegerField()
    me = serializers.UUIDField()
    whole = serializers.BooleanField()
    rights = serializers.DictField(child=serializers.BooleanField())
    completeness = serializers.ListField(child=serializers.DictField())
    vocabulary = serializers.DictField(required=False)
    records = serializers.DictField(child=serializers.ListField(child=serializers.DictField()))
    removed = serializers.ListField(child=serializers.UUIDField(), required=False)


def session_seen(request: Request, key: UUID) -> Session:
    """Return a session of the person's centres; any other is not found."""
    found = (
        sessions_for(cast(User, request.user), Right.SEE_SESSIONS).filter(pk=key).select_related("centre", "patient")
    )
    session = found.first()
    if session is None:
        raise exceptions.NotFound
    return session


class TokenView(APIView):
    """A fresh token for the entries about to be sent; answers to everybody, since a log-in may have run out."""

    permission_classes = (AllowAny,)

    @extend_schema(operation_id="bedside_token", responses={200: TokenSerializer} | problems("GET"))
    def get(self, request: Request) -> Response:
        """Answer who is logged in, if anybody, and the token."""
        me = str(request.user.pk) if request.user.is_authenticated else None
        return Response({"me": me, "token": get_token(cast(HttpRequest, request)), "server_now": timezone.now()})


class StateView(APIView):
    """The session, whole or since a cursor."""

    @extend_schema(
        operation_id="bedside_session",
        parameters=[OpenApiParameter("since", OpenApiTypes.INT, description="The cursor from the last answer.")],
        responses={200: StateSerializer, 304: None} | problems("GET"),
    )
    def get(self, request: Request, pk: UUID) -> Response:
        """Answer the session; 304 when nothing was written since the cursor."""
        session = session_seen(request, pk)
        user = cast(User, request.user)
        # Somebody else may have logged in on the tablet although nothing was written.
        person = {"Tributary-Person": str(user.pk)}
        cursor = cursor_of(session.centre_id)
        text = request.query_params.get("since", "")
        try:
            since = whole_number(text, 0, 2**63 - 1) if text else None
        except NotANumber:
            raise serializers.ValidationError({"since": ["Send the cursor of an earlier answer."]}) from None
        if since == cursor:
            return Response(status=304, headers=person)
        answer = bedside_state.since(user, session, since, cursor) if since is not None else None
        return Response(answer or bedside_state.whole(user, session, cursor), headers=person)


class EntriesView(APIView):
    """Entries of a tablet, each taken once."""

    @extend_schema(
        operation_id="bedside_entries",
        request=BatchSerializer,
        responses={200: AnswersSerializer} | problems("PUT"),
    )
    def post(self, request: Request) -> Response:
        """Take a batch in order. What one entry is refused for stops only that one and those that follow from it."""
        try:
            whole_number(request.META.get("CONTENT_LENGTH") or "0", 0, MOST_BYTES)
        except NotANumber:
            raise RequestDataTooBig from None
        sent = BatchSerializer(data=request.data)
        sent.is_valid(raise_exception=True)
        batch = sent.validated_data
        session = session_seen(request, batch["session"])
        answers: list[dict[str, Any]] = []
        stopped = False
        enough = time.monotonic() + MOST_SECONDS
        for entry, raw in zip(batch["entries"], request.data["entries"], strict=True):
            if answers and not stopped and time.monotonic() > enough:
                # A slow day: what is done is answered before the tablet gives the line up.
                answers += [{"id": str(one["id"]), "status": "later"} for one in batch["entries"][len(answers) :]]
                break
            answer = {"status": "retry"} if stopped else self._take(request, session, batch, entry, raw)
            # Order is kept: what comes after an entry that is not decided yet waits too.
            stopped = answer["status"] == "retry"
            answers.append({"id": str(entry["id"]), "key": entry["key"], "kind": entry["kind"]} | answer)
        return Response({"server_now": timezone.now(), "answers": answers})

    def _take(
        self, request: Request, session: Session, batch: dict[str, Any], entry: dict[str, Any], raw: dict[str, Any]
    ) -> dict[str, Any]:
        user = cast(User, request.user)
        kind = ENTRIES.get(entry["kind"])
        if kind is None:
            return _refused("unknown_kind", "This server does not know this kind of entry.")
        try:
            if _unreadable(raw):
                return _refused("unreadable", UNREADABLE)
            if kind.kind.model is Session and not _is_key_of(session, entry["key"]):
                raise exceptions.NotFound  # an entry describes the batch's session and opens no other
            version = entry["version"]
            if entry["based_on"] is not None:
                version = version_after(session, batch["device"], entry["based_on"])

            def write() -> dict[str, Any]:
                if entry["remove"]:
                    _remove(user, session, kind, entry, batch["device"])
                    return {"version": 0}
                record = kind.write(
                    by=user,
                    session=session,
                    key=entry["key"],
                    version=version,
                    payload=entry["payload"],
                    context={"request": request},
                )
                return {"version": record.version}

            answer, replayed = take(
                by=user,
                session=session,
                device=batch["device"],
                sent_at=batch["sent_at"],
                envelope=_envelope(user, session, entry, raw),
                write=write,
            )
        except (InProgress, IntegrityError):
            return {"status": "retry"}
        except Waits:
            return {"status": "waits"}
        except _MEANT_FOR_PEOPLE as error:
            return self._problem(kind, session, entry, error)
        record = kind.find(session, entry["key"])
        shown = kind.shown(record) if record else None
        return {"status": "replayed" if replayed else "stored", "version": answer["version"], "record": shown}

    def _problem(self, kind: Entry, session: Session, entry: dict[str, Any], error: Exception) -> dict[str, Any]:
        """Say the problem as the API says it everywhere; a conflict shows what is stored."""
        response = cast(Any, api_settings.EXCEPTION_HANDLER)(error, {"view": self, "request": self.request})
        if response is None:
            raise error
        data = {name: response.data[name] for name in ("code", "message", "fields")}
        if isinstance(error, Conflict):
            return {"status": "conflict", "stored": kind.shown(kind.find(session, entry["key"]))} | data
        answer = {"status": "refused", "http": response.status_code} | data
        if isinstance(error, RuleBroken) and (twin := kind.twin(session, entry["key"], entry["payload"])):
            return answer | {"code": "same_name", "message": SAME_NAME, "stored": kind.shown(twin)}
        return answer


def _refused(code: str, message: str) -> dict[str, Any]:
    return {"status": "refused", "code": code, "message": message, "fields": {}}


def _remove(user: User, session: Session, kind: Entry, entry: dict[str, Any], device: UUID) -> None:
    """Take a record back; one that is gone already is gone."""
    record = kind.find(session, entry["key"])
    if record is None:
        return
    if not kind.bedside.undo:
        raise RuleBroken("This cannot be taken back. Correct it instead.")
    take_back(by=user, session=session, record=record, device=device, client_uuid=entry["id"])


def _is_key_of(session: Session, text: str) -> bool:
    try:
        return UUID(text) == session.pk
    except ValueError:
        return False


def _unreadable(value: Any) -> bool:
    """Say whether half a character stands anywhere in a value: no database keeps it, and no answer can repeat it."""
    return bool(_HALF.search(json.dumps(value, ensure_ascii=False)))


def _envelope(user: User, session: Session, entry: dict[str, Any], raw: dict[str, Any]) -> Envelope:
    captured_by = user
    if entry["captured_by"] not in (None, user.pk):
        # Who has left since may have captured it before.
        working = in_force("memberships__", timezone.localdate(entry["captured_at"]))
        colleague = User.objects.filter(working, pk=entry["captured_by"], memberships__centre=session.centre_id).first()
        if colleague is None:
            raise exceptions.NotFound
        captured_by = colleague
    content = {name: value for name, value in raw.items() if name not in ("id", "sequence")}
    return Envelope(
        client_uuid=entry["id"],
        sequence=entry["sequence"],
        kind=entry["kind"],
        record_key=entry["key"],
        captured_at=entry["captured_at"],
        captured_by=captured_by,
        sha256=hashlib.sha256(text_of(content).encode()).hexdigest(),
    )
