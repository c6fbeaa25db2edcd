"""The run of requests: the API by its document, entries of a tablet, forms of pages, odd addresses."""

from __future__ import annotations

import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any
from uuid import uuid4

from django.apps import apps
from django.db import transaction
from django.test import Client

from procedures.models import Session, Site, Tributary
from registry.models import Patient
from registry.models.base import new_key
from tests.fuzzing import api, pages
from tests.fuzzing.watched import Errors, Outcome, WatchedApplication
from tests.pages import make_world

Tell = Callable[[str, Outcome], None]


@dataclass(frozen=True)
class Plan:
    """How many examples of each; ``document`` is of each operation of the API."""

    document: int = 10
    entries: int = 100
    forms: int = 300
    addresses: int = 200
    number: int = 1
    phases: tuple[str, ...] = api.PHASES
    only: str | None = None


def run(plan: Plan, tell: Tell = lambda *_: None) -> Outcome:
    """Make a world and send everything of the plan; all but the requests of the stateful phase is undone."""
    world = make_world()
    client = next(iter(reversed(world.clients.values())))  # the clinical lead
    outcome = Outcome()
    with Errors() as errors:
        send = _sender(outcome, errors)
        keys = _keys()
        for phase in plan.phases:
            if plan.document:
                application = WatchedApplication(client, outcome, errors, undo=phase != "stateful")
                api.run_document(
                    application, keys, phases=[phase], examples=plan.document, only=plan.only, number=plan.number
                )
                tell(f"document, {phase}", outcome)
        if plan.entries:
            envelopes = _envelopes()
            api.run_entries(
                lambda path, raw: send(client, "post", path, raw, {}), envelopes, plan.entries, number=plan.number
            )
            tell("entries", outcome)
        if plan.addresses:
            pages.run_addresses(world, send, plan.addresses, plan.number)
            tell("addresses", outcome)
        if plan.forms:
            found = list(pages.forms(world))
            assert len(found) > 40, "the forms were not found"
            pages.run_forms(world, found, send, plan.forms, plan.number)
            tell("forms", outcome)
    return outcome


def _sender(outcome: Outcome, errors: Errors) -> Callable[..., None]:
    def send(client: Client, method: str, path: str, values: Any, headers: dict[str, str]) -> None:
        options: dict[str, Any] = {"content_type": "application/json"} if isinstance(values, str) else {}
        if method not in {"get", "head", "post"} and not isinstance(values, str):
            values = ""
        sent = f"{method} {path} {str(values)[:1500]} {headers}"
        cookies = client.cookies.copy()
        before = time.thread_time()
        try:
            with transaction.atomic():
                try:
                    answer = getattr(client, method)(path, values, headers=headers, **options)
                    if answer.streaming:
                        b"".join(answer.streaming_content)
                    status = answer.status_code
                finally:
                    transaction.set_rollback(True)
        except Exception:
            errors.taken()
            outcome.faults.append(f"{sent}: {traceback.format_exc(limit=-6)}")
            status = 500
        client.cookies = cookies  # nobody was logged out: it was undone
        outcome.note(sent, status, time.thread_time() - before, errors.taken())

    return send


def _keys() -> list[str]:
    """Return keys of records that exist, a few of each kind."""
    found = []
    for room in ("registry", "procedures"):
        for model in apps.get_app_config(room).get_models():
            if model._meta.pk is not None and model._meta.pk.get_internal_type() == "UUIDField":
                found += [str(key) for key in model._default_manager.values_list("pk", flat=True)[:3]]
    return found


def _envelopes() -> list[dict[str, Any]]:
    """Return a good set of entries of every kind a tablet sends, in one session."""
    session = Session.objects.order_by("created_at")[0]
    site, tributary = Site.objects.filter(session=session)[0], Tributary.objects.filter(session=session)[0]
    about, at = {"site": str(site.pk)}, "2026-03-02T09:20:00Z"
    payloads: list[tuple[str, dict[str, Any]]] = [
        ("log_entry", {"kind": "note", "occurred_at": at, "text": "Calm."}),
        ("tributary", {"vein": "lateral"}),
        ("site", {"tributary": str(tributary.pk), "label": "lateral mid", "aha_segment": 12}),
        ("lead_measurement", about | {"measured_at": at, "capture_threshold_v": 1.1, "pulse_width_ms": 0.5}),
        (
            "threshold_test",
            about | {"tested_at": at, "pulse_width_ms": 0.5, "steps": [{"amplitude_v": 1.5, "captured": True}]},
        ),
        ("difficulty", about | {"reason": "tortuosity", "noted_at": at}),
        ("scanned_part", {"part": "lv_lead", "scanned_at": at, "scanned_text": "DEMO-0001"}),
        ("epoch", about | {"started_at": at, "ended_at": "2026-03-02T09:20:30Z", "pacing": {"chambers": "biv"}}),
        ("decision", about | {"decided_at": at, "reason": "Led clearly."}),
        ("session", {"patient": str(Patient.objects.all()[0].pk), "started_at": at, "procedure": "upgrade"}),
    ]
    made = []
    for kind, payload in payloads:
        entry = {"id": str(new_key()), "sequence": 1, "kind": kind, "key": str(new_key()), "payload": payload}
        entry |= {"captured_at": "2026-03-02T09:20:01Z"}
        undo = {
            "id": str(new_key()),
            "sequence": 2,
            "kind": "undo",
            "key": entry["key"],
            "payload": {"entry": entry["id"]},
        }
        undo |= {"captured_at": "2026-03-02T09:20:03Z"}
        body = {"session": str(session.pk), "device": str(uuid4()), "sent_at": "2026-03-02T09:21:00Z"}
        made.append(body | {"entries": [entry]})
        made.append(body | {"entries": [entry, undo]})
    return made
