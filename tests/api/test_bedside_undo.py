"""Kinds of the bedside page that are its own, and taking an entry back, through the endpoint a tablet uses."""

from __future__ import annotations

import datetime as dt
from contextlib import nullcontext
from typing import Any
from uuid import uuid4

import pytest
from django.utils import timezone

from procedures.models import BedsideEntry, LogEntry, Session, ThresholdTest
from procedures.services.sessions import log
from procedures.services.undo import undo
from registry.errors import RuleBroken
from registry.models.base import new_key
from tests.api.conftest import Api, World

AT = dt.datetime(2026, 3, 2, 9, 0, tzinfo=dt.UTC)


DEVICE = str(uuid4())


def send(api: Api, world: World, *entries: dict[str, Any], sent_at: dt.datetime = AT) -> list[dict[str, Any]]:
    whole = [
        {"id": str(new_key()), "sequence": number, "captured_at": AT.isoformat(), "payload": {}} | entry
        for number, entry in enumerate(entries)
    ]
    body = {"session": str(world.session.pk), "device": DEVICE, "sent_at": sent_at.isoformat(), "entries": whole}
    answer = api.client.post("/api/v1/bedside/entries", body, content_type="application/json")
    assert answer.status_code == 200, answer.content
    return answer.json()["answers"]


def venogram(key: str) -> dict[str, Any]:
    return {"kind": "log_entry", "key": key, "payload": {"kind": "venogram", "occurred_at": AT.isoformat()}}


def test_threshold_test_difficulty_and_scan_are_taken_with_their_site(api: Api, world: World) -> None:
    steps = [{"amplitude_v": 1.0, "captured": True}, {"amplitude_v": 0.75, "captured": False}]
    run = {"site": str(world.site.pk), "tested_at": AT.isoformat(), "pulse_width_ms": 0.5, "steps": steps}
    trouble = {"reason": "tortuosity", "noted_at": AT.isoformat(), "tributary": str(world.tributary.pk)}
    scan = {"part": "lv_lead", "scanned_text": "DEMO-77", "scanned_at": AT.isoformat()}
    answers = send(
        api,
        world,
        {"kind": "threshold_test", "key": str(new_key()), "payload": run},
        {"kind": "difficulty", "key": str(new_key()), "payload": trouble},
        {"kind": "scanned_part", "key": str(new_key()), "payload": scan},
    )
    assert [answer["status"] for answer in answers] == ["stored"] * 3
    assert ThresholdTest.objects.get().capture_threshold_v == 1.0
    assert "DEMO-77" not in str(answers)


def test_entry_is_taken_back_within_a_minute_of_the_tablets_clock(api: Api, world: World) -> None:
    key = str(new_key())
    late = {"kind": "log_entry", "key": key, "remove": True, "captured_at": (AT + dt.timedelta(seconds=40)).isoformat()}
    answers = send(api, world, venogram(key), late)
    assert [answer["status"] for answer in answers] == ["stored", "stored"]
    assert not LogEntry.objects.exists()


def test_entry_older_than_a_minute_is_kept(api: Api, world: World) -> None:
    key = str(new_key())
    late = {"kind": "log_entry", "key": key, "remove": True, "captured_at": (AT + dt.timedelta(minutes=3)).isoformat()}
    answers = send(api, world, venogram(key), late)
    assert [answer["status"] for answer in answers] == ["stored", "refused"]
    assert "older than a minute" in answers[1]["message"]
    assert LogEntry.objects.count() == 1


def removal(key: str, at: dt.datetime) -> dict[str, Any]:
    return {"kind": "log_entry", "key": key, "remove": True, "captured_at": at.isoformat()}


def let_pass(minutes: float) -> None:
    """Make everything stored older than it is."""
    by = dt.timedelta(minutes=minutes)
    for row in BedsideEntry.objects.all():
        BedsideEntry.objects.filter(pk=row.pk).update(received_at=row.received_at - by)
    for model in (LogEntry, Session):
        for record in model.objects.all():
            model.objects.filter(pk=record.pk).update(created_at=record.created_at - by)


YEAR_2000 = dt.datetime(2000, 1, 1, tzinfo=dt.UTC)


@pytest.mark.parametrize("both", [False, True])
def test_clock_that_cannot_be_true_stretches_no_minute(api: Api, world: World, both: bool) -> None:
    key, now = str(new_key()), timezone.now()
    entered = YEAR_2000 if both else now
    assert send(api, world, venogram(key) | {"captured_at": entered.isoformat()}, sent_at=now)[0]["status"] == "stored"
    let_pass(10)
    (answer,) = send(api, world, removal(key, YEAR_2000 + dt.timedelta(seconds=30)), sent_at=now)
    assert answer["status"] == "refused"
    assert "older than a minute" in answer["message"]
    assert LogEntry.objects.count() == 1


def test_undone_without_a_line_counts_when_it_was_undone(api: Api, world: World) -> None:
    """Also on a tablet whose clock stands in another year all the time."""
    key = str(new_key())
    let_pass(240)
    send(api, world, venogram(key) | {"captured_at": YEAR_2000.isoformat()}, sent_at=YEAR_2000)
    let_pass(180)
    later = YEAR_2000 + dt.timedelta(minutes=180)
    (answer,) = send(api, world, removal(key, YEAR_2000 + dt.timedelta(seconds=40)), sent_at=later)
    assert answer["status"] == "stored"
    assert not LogEntry.objects.exists()


def test_edit_makes_what_was_entered_elsewhere_no_younger(api: Api, world: World) -> None:
    key = str(log(by=world.physician, session=world.session, kind="note", text="first", occurred_at=AT).pk)
    let_pass(10)
    edit = {"kind": "log_entry", "key": key, "version": 1, "payload": {"kind": "note", "occurred_at": AT.isoformat()}}
    answers = send(api, world, edit, removal(key, AT))
    assert [answer["status"] for answer in answers] == ["stored", "refused"]


def test_an_undoing_before_the_entry_counts_when_it_came(api: Api, world: World) -> None:
    key, now = str(new_key()), timezone.now()
    let_pass(20)
    send(api, world, venogram(key) | {"captured_at": now.isoformat()}, sent_at=now)
    let_pass(10)
    (answer,) = send(api, world, removal(key, now - dt.timedelta(minutes=15)), sent_at=now)
    assert answer["status"] == "refused"
    assert "older than a minute" in answer["message"]
    assert LogEntry.objects.count() == 1


@pytest.mark.parametrize(("seconds", "left"), [(75, 0), (76, 1)])
def test_an_entry_is_taken_back_within_a_minute_and_the_way_to_the_clock(world: World, seconds: int, left: int) -> None:
    entry = log(by=world.physician, session=world.session, kind="note", text="first", occurred_at=AT)
    times = {"entered_at": AT, "undone_at": AT + dt.timedelta(seconds=seconds)}
    with pytest.raises(RuleBroken, match="older than a minute") if left else nullcontext():
        undo(by=world.physician, record=entry, **times)
    assert LogEntry.objects.count() == left


@pytest.mark.parametrize("key", ["abc", "abc/def"])
def test_taking_back_what_has_no_key_is_refused_alone(api: Api, world: World, key: str) -> None:
    other = str(new_key())
    kinds = ("log_entry", "epoch_metric")
    answers = send(api, world, *({"kind": kind, "key": key, "remove": True} for kind in kinds), venogram(other))
    assert [answer["status"] for answer in answers] == ["refused", "refused", "stored"]
    assert answers[0]["fields"]["key"] == ["Give the key of a record."]


def test_session_is_never_taken_back(api: Api, world: World) -> None:
    (answer,) = send(api, world, {"kind": "session", "key": str(world.session.pk), "remove": True})
    assert answer["status"] == "refused"
    world.session.refresh_from_db()
    assert world.session.pk


def test_two_changes_of_the_session_in_one_batch_both_stand(api: Api, world: World) -> None:
    key = str(world.session.pk)
    first = {"id": str(new_key()), "kind": "session", "key": key, "version": 1, "payload": {"outcome": "abandoned"}}
    second = {"kind": "session", "key": key, "based_on": first["id"], "payload": {"contrast_ml": 60}}
    answers = send(api, world, first, second)
    assert [answer["status"] for answer in answers] == ["stored", "stored"]
    world.session.refresh_from_db()
    assert (world.session.outcome, world.session.contrast_ml) == ("abandoned", 60)
