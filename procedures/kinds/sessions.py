"""A session, its log, what stood in the way, the parts used and the decision, described."""

from __future__ import annotations

from typing import Any

from django.urls import reverse
from rest_framework import serializers

from procedures.described import Bedside, SessionKind
from procedures.forms.decisions import DecisionForm
from procedures.forms.sessions import LogEntryForm, NewSessionForm, SessionDetailsForm
from procedures.kinds.serializers import Operator
from procedures.kinds.tables import SESSIONS
from procedures.models import Decision, Difficulty, LogEntry, ScannedPart, Session, SessionPart
from procedures.services.decisions import record_decision
from procedures.services.difficulties import note_difficulty
from procedures.services.scanning import put_scanned_part
from procedures.services.sessions import log, put_session
from registry.described.kind import Api

OF_SESSION: dict[str, Any] = {"centre": "session__centre", "patient": "session__patient", "amends": True}
BY_SESSION = {"session": "session"}

SESSION = SessionKind(
    Session,
    "Session",
    centre="centre",
    patient="patient",
    fields=(
        "patient",
        "procedure",
        "baseline_pacing",
        "started_at",
        "ended_at",
        "operator",
        "outcome",
        "contrast_ml",
        "fluoroscopy_min",
        "dose_area_product_gy_cm2",
        "notes",
    ),
    put=put_session,
    forms=(NewSessionForm, SessionDetailsForm),
    amends=True,
    unread=("signed_content",),
    api=Api(
        "sessions",
        words="Implant procedures.",
        reads="One implant procedure.",
        takes="One implant procedure. The server gives it its code; the patient stays.",
        answered=("centre", "code", "status", "signed_by", "signed_at"),
        filters={"patient": "patient"},
        taken_as={"operator": Operator(required=False, allow_null=True)},
    ),
    bedside=Bedside("session", "session"),
    table=SESSIONS,
    address=lambda one: reverse("procedures:session", args=[one.pk]),
    # What would be read twice after an implant; it refuses nothing. Project choice, no source.
    usual={
        "contrast_ml": (0.0, 300.0),
        "fluoroscopy_min": (0.5, 120.0),
        "dose_area_product_gy_cm2": (0.1, 300.0),
    },
    may_be_empty=frozenset({"status", "signed_at"}),
)

LOG_ENTRY = SessionKind(
    LogEntry,
    "Log entry",
    **OF_SESSION,
    fields=("session", "kind", "occurred_at", "text"),
    put=log,
    forms=(LogEntryForm,),
    api=Api(
        "log-entries",
        words="The running notes of a session.",
        reads=(
            "A timed note: ``occurred_at`` is the writer's clock, ``created_at`` the server's.\n\n"
            "``first_logged_at`` is the time it was logged with, once that has been corrected."
        ),
        takes="A timed note.",
        answered=("first_logged_at", "author"),
        filters=BY_SESSION,
    ),
    signed_as="log_entries",
    bedside=Bedside("log_entry", "entries", undo=True),
)

DIFFICULTY = SessionKind(
    Difficulty,
    "Difficulty",
    **OF_SESSION,
    fields=("session", "tributary", "site", "reason", "text", "noted_at"),
    put=note_difficulty,
    api=Api(
        "difficulties",
        words="What stood in the way.",
        reads="What stood in the way of reaching a vein or keeping a position.",
        takes="A difficulty with a tributary, a site, or the session as a whole.",
        answered=("author",),
        filters=BY_SESSION,
    ),
    signed_as="difficulties",
    bedside=Bedside("difficulty", "difficulties", undo=True),
)

SCANNED_PART = SessionKind(
    ScannedPart,
    "Scanned part",
    **OF_SESSION,
    fields=("session", "part", "scanned_at"),
    put=put_scanned_part,
    api=Api(
        "scanned-parts",
        words="Parts whose labels were scanned.",
        reads="A part whose label was scanned. Its serial number leads to a person and is not answered.",
        takes="What a scanner typed, as it typed it; the server reads it.",
        answered=("device_identifier", "lot", "made_on", "expires_on"),
        filters=BY_SESSION,
        taken_as={"scanned_text": serializers.CharField(max_length=200)},
    ),
    signed_as="scanned_parts",
    bedside=Bedside("scanned_part", "scanned_parts", undo=True),
)

SESSION_PART = SessionKind(SessionPart, "Part", **OF_SESSION, signed_as="parts")

DECISION = SessionKind(
    Decision,
    "Decision",
    **OF_SESSION,
    fields=("session", "site", "decided_at", "reason", "metric"),
    put=record_decision,
    forms=(DecisionForm,),
    api=Api(
        "decisions",
        words="Decisions of a session. The program never makes one.",
        reads="The site chosen, by whom and why; ``site`` null is 'none'.",
        takes="The site chosen and why; ``site`` left out or null is 'none'.",
        answered=("decided_by", "was_leading"),
        filters=BY_SESSION,
    ),
    signed_as="decisions",
    bedside=Bedside("decision", "decisions"),
)

KINDS = (SESSION, LOG_ENTRY, DIFFICULTY, SCANNED_PART, SESSION_PART, DECISION)
