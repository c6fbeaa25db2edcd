"""Entries of a tablet: each taken once, in order, in its own centre, and said what became of it."""

from __future__ import annotations

import datetime as dt
import json
from concurrent.futures import ThreadPoolExecutor
from threading import Barrier
from typing import Any
from uuid import uuid4

import pytest
from django.db import connection
from django.utils import timezone

from procedures.api import bedside_views
from procedures.models import BedsideEntry, LogEntry, Session, Tributary
from procedures.services.sessions import log, sign_session
from registry.models import Change, Role
from registry.models.base import new_key
from registry.services.records import remove
from tests import factories as make
from tests.api.conftest import Api, World

DEVICE = str(uuid4())


def entry(kind: str = "log_entry", **more: Any) -> dict[str, Any]:
    payload = {"kind": "note", "occurred_at": "2026-03-02T09:05:00Z", "text": "Calm."}
    made = {"id": str(new_key()), "sequence": 1, "kind": kind, "key": str(new_key()), "payload": payload}
    return made | {"captured_at": "2026-03-02T09:05:01Z"} | more


def post(api: Api, session: Any, *entries: dict[str, Any], **more: Any) -> Any:
    body = {"session": str(session.pk), "device": DEVICE, "sent_at": timezone.now().isoformat()} | more
    return api.client.post(
        "/api/v1/bedside/entries", body | {"entries": list(entries)}, content_type="application/json"
    )


def answers(api: Api, session: Any, *entries: dict[str, Any]) -> list[dict[str, Any]]:
    answer = post(api, session, *entries)
    assert answer.status_code == 200, answer.content
    return answer.json()["answers"]


def test_entry_is_stored_once_and_replayed(api: Api, world: World) -> None:
    sent = entry()
    links = Change.objects.count()
    (first,), (second,) = answers(api, world.session, sent), answers(api, world.session, sent)
    assert (first["status"], second["status"]) == ("stored", "replayed")
    assert first["record"] == second["record"]
    assert first["record"]["key"] == sent["key"]
    assert LogEntry.objects.count() == 1
    assert Change.objects.count() == links + 1
    row = BedsideEntry.objects.get()
    assert row.captured_at == dt.datetime(2026, 3, 2, 9, 5, 1, tzinfo=dt.UTC)
    assert abs(row.received_at - timezone.now()) < dt.timedelta(minutes=1)


def test_replay_is_answered_to_a_new_log_in_and_after_the_record_went_on(api: Api, world: World) -> None:
    sent = entry()
    answers(api, world.session, sent)
    log(by=world.physician, session=world.session, kind="note", text="Later.", key=sent["key"], version=1)
    (again,) = answers(Api(world.physician), world.session, sent)
    assert (again["status"], again["version"], again["record"]["text"]) == ("replayed", 1, "Later.")


def test_same_key_with_other_content_is_refused(api: Api, world: World) -> None:
    sent = entry()
    answers(api, world.session, sent)
    (other,) = answers(api, world.session, sent | {"payload": sent["payload"] | {"text": "Other."}})
    assert (other["status"], other["code"], other["http"]) == ("refused", "other_content", 422)
    assert LogEntry.objects.get().text == "Calm."


def test_same_key_from_another_tablet_is_another_entry(api: Api, world: World) -> None:
    sent = entry()
    answers(api, world.session, sent)
    other = sent | {"key": str(new_key()), "payload": sent["payload"] | {"text": "Other."}}
    answer = post(api, world.session, other, device=str(uuid4())).json()["answers"][0]
    assert answer["status"] == "stored"
    assert LogEntry.objects.count() == BedsideEntry.objects.count() == 2


def test_clock_skew_is_kept(api: Api, world: World) -> None:
    ahead = (timezone.now() + dt.timedelta(minutes=10)).isoformat()
    post(api, world.session, entry(), sent_at=ahead)
    assert BedsideEntry.objects.get().clock_skew_s == pytest.approx(600, abs=20)


def test_edit_of_an_entry_sent_before_it_starts_from_its_outcome(api: Api, world: World) -> None:
    first = entry()
    second = entry(key=first["key"], based_on=first["id"], payload=first["payload"] | {"text": "Corrected."})
    assert [one["status"] for one in answers(api, world.session, first, second)] == ["stored", "stored"]
    assert LogEntry.objects.get().text == "Corrected."


def test_edit_waits_for_the_entry_it_starts_from(api: Api, world: World) -> None:
    bad = entry(payload={"kind": "no such kind"})
    edit = entry(key=bad["key"], based_on=bad["id"])
    other = entry()
    assert [one["status"] for one in answers(api, world.session, bad, edit, other)] == ["refused", "waits", "stored"]
    assert BedsideEntry.objects.count() == 1


def test_conflict_shows_what_is_stored_and_writes_nothing(api: Api, world: World) -> None:
    stored = log(by=world.physician, session=world.session, kind="note", text="first")
    log(by=world.physician, session=world.session, kind="note", text="theirs", key=stored.pk, version=1)
    sent = entry(key=str(stored.pk), version=1)
    (answer,) = answers(api, world.session, sent)
    assert (answer["status"], answer["stored"]["text"], answer["stored"]["version"]) == ("conflict", "theirs", 2)
    assert LogEntry.objects.get().text == "theirs"
    assert not BedsideEntry.objects.exists()
    (decided,) = answers(api, world.session, sent | {"id": str(new_key()), "version": 2})
    assert (decided["status"], decided["record"]["text"]) == ("stored", "Calm.")


def test_edit_of_what_was_taken_back_does_not_bring_it_back_unasked(api: Api, world: World) -> None:
    stored = log(by=world.physician, session=world.session, kind="note", text="first")
    sent = entry(key=str(stored.pk), version=1)
    remove(stored, by=world.physician, centre_id=world.centre.pk)
    (answer,) = answers(api, world.session, sent)
    assert (answer["status"], answer["code"]) == ("refused", "removed")
    assert not LogEntry.objects.exists()
    (again,) = answers(api, world.session, sent | {"id": str(new_key()), "version": None})
    assert again["status"] == "stored"


def test_refusals_speak_as_the_api_does(api: Api, world: World) -> None:
    measured = {"site": str(world.site.pk), "measured_at": "2026-03-02T09:20:00Z", "pulse_width_ms": 0.5}
    unusual = entry("lead_measurement", payload=measured | {"capture_threshold_v": 9})
    impossible = entry("lead_measurement", payload=measured | {"capture_threshold_v": 90})
    unknown = entry("weather")
    keyless = entry(key="x")
    found = answers(api, world.session, unusual, impossible, unknown, keyless)
    assert [one["code"] for one in found] == ["needs_confirmation", "rule_broken", "unknown_kind", "invalid"]
    assert "capture_threshold_v" in found[0]["fields"]
    confirmed = entry("lead_measurement", payload=unusual["payload"] | {"confirmed": True})
    assert answers(api, world.session, confirmed)[0]["status"] == "stored"


def test_every_kind_is_written_and_read_back_alike(api: Api, world: World) -> None:
    epoch, measurement = str(new_key()), {"site": str(world.site.pk), "measured_at": "2026-03-02T09:20:00Z"}
    sent = [
        entry("tributary", payload={"vein": "lateral"}),
        entry("site", payload={"tributary": str(world.tributary.pk), "label": "PL mid"}),
        entry("lead_measurement", payload=measurement | {"impedance_ohm": 700}),
        entry(
            "epoch",
            key=epoch,
            payload={"site": None, "started_at": "2026-03-02T09:30:00Z", "ended_at": "2026-03-02T09:30:30Z"},
        ),
        entry("epoch_metric", key=f"{epoch}/sv_ml", payload={"epoch": epoch, "metric": "sv_ml", "mean": 52}),
        entry("decision", payload={"site": None, "decided_at": "2026-03-02T10:30:00Z", "reason": "None led."}),
        entry("session", key=str(world.session.pk), version=1, payload={"contrast_ml": 60}),
    ]
    world.session.refresh_from_db()
    found = answers(api, world.session, *sent)
    assert [one["status"] for one in found] == ["stored"] * len(sent)
    state = api.get(f"bedside/sessions/{world.session.pk}").json()
    collections = state["vocabulary"]["collections"]
    for one, answer in zip(sent, found, strict=True):
        listed = {record["key"]: record for record in state["records"][collections[one["kind"]]]}
        assert listed[one["key"]] == answer["record"], one["kind"]
        assert one["payload"].items() <= answer["record"].items(), one["kind"]
    world.session.refresh_from_db()
    assert (world.session.contrast_ml, world.session.patient) == (60, world.patient)
    assert answers(api, world.session, *sent)[4]["status"] == "replayed"


def test_same_vein_under_two_keys_shows_the_other(api: Api, world: World) -> None:
    (answer,) = answers(api, world.session, entry("tributary", payload={"vein": world.tributary.vein}))
    assert (answer["status"], answer["code"]) == ("refused", "same_name")
    assert answer["stored"]["key"] == str(world.tributary.pk)


def test_signed_session_takes_a_replay_and_asks_a_reason_for_the_rest(api: Api, world: World) -> None:
    sent = entry()
    answers(api, world.session, sent)
    make.end_session(world.session)
    sign_session(by=world.physician, session=world.session)
    assert answers(api, world.session, sent)[0]["status"] == "replayed"
    assert answers(api, world.session, entry())[0]["code"] == "session_signed"
    amended = entry(payload=sent["payload"] | {"amendment_reason": "Forgotten."})
    assert answers(api, world.session, amended)[0]["status"] == "stored"


def test_session_of_another_centre_is_not_found(api: Api, elsewhere: World) -> None:
    assert post(api, elsewhere.session, entry()).status_code == 404
    assert api.get(f"bedside/sessions/{elsewhere.session.pk}").status_code == 404
    assert not LogEntry.objects.exists()


def test_references_and_keys_of_other_sessions_are_not_found(api: Api, world: World, elsewhere: World) -> None:
    beside = make.make_session(world.patient)
    site = make.make_site(make.make_tributary(beside))
    theirs = log(by=world.physician, session=beside, kind="note", text="beside")
    values = {"measured_at": "2026-03-02T09:20:00Z", "impedance_ohm": 700}
    found = answers(
        api,
        world.session,
        entry("lead_measurement", payload=values | {"site": str(site.pk)}),
        entry("lead_measurement", payload=values | {"site": str(elsewhere.site.pk)}),
        entry(key=str(theirs.pk), version=1),
        entry(captured_by=str(elsewhere.physician.pk)),
        entry("session", key=str(beside.pk), version=1, payload={"contrast_ml": 5}),
    )
    assert [one["status"] for one in found] == ["refused"] * 5
    assert {one["http"] for one in found} == {404}
    theirs.refresh_from_db()
    assert theirs.text == "beside"


def test_an_entry_is_of_a_colleague_who_had_not_left_when_it_was_made(api: Api, world: World) -> None:
    colleague = make.make_user(Role.LAB_STAFF, world.centre)
    colleague.memberships.update(ended_on=timezone.localdate())
    yesterday = (timezone.now() - dt.timedelta(days=1)).isoformat()
    now = timezone.now().isoformat()
    sent = [entry(captured_by=str(colleague.pk), captured_at=day) for day in (now, yesterday)]

    assert [one["status"] for one in answers(api, world.session, *sent)] == ["refused", "stored"]


@pytest.mark.parametrize("role", [Role.RESEARCHER, Role.ADMINISTRATOR, None])
def test_roles_without_the_bedside_find_nothing(world: World, role: str | None) -> None:
    api = Api(make.make_user(role, world.centre))
    assert post(api, world.session, entry()).status_code == 404
    assert api.get(f"bedside/sessions/{world.session.pk}").status_code == 404


def test_lab_staff_do_not_decide(world: World) -> None:
    api = Api(make.make_user(Role.LAB_STAFF, world.centre))
    sent = entry("decision", payload={"site": None, "decided_at": "2026-03-02T10:30:00Z", "reason": "No."})
    (answer,) = answers(api, world.session, sent)
    assert (answer["code"], answer["http"]) == ("not_allowed", 403)


def test_without_a_log_in_only_that_is_said(db: None, world: World) -> None:
    assert post(Api(), world.session, entry()).json()["code"] == "not_authenticated"
    assert Api().get(f"bedside/sessions/{world.session.pk}").json()["code"] == "not_authenticated"
    assert Api().get("bedside/token").json()["me"] is None


def test_batch_is_bounded(api: Api, world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    assert post(api, world.session).status_code == 400
    too_many = [entry() for _ in range(bedside_views.MOST_ENTRIES + 1)]
    assert post(api, world.session, *too_many).status_code == 400
    monkeypatch.setattr(bedside_views, "MOST_BYTES", 200)
    assert post(api, world.session, entry()).status_code == 413
    assert not LogEntry.objects.exists()


@pytest.mark.parametrize("broken", [{"id": "x"}, {"payload": []}, {"captured_at": "yesterday"}, {"sequence": -1}])
def test_what_is_no_entry_is_refused_as_a_whole(api: Api, world: World, broken: dict[str, Any]) -> None:
    answer = post(api, world.session, entry(), entry(**broken))
    assert answer.status_code == 400
    assert answer.json()["fields"]
    assert not LogEntry.objects.exists()


@pytest.mark.parametrize("payload", [{"text": "half \ud83d"}, {"half \ud83d": 1}, {"text": ["half \ud83d"]}])
def test_half_a_character_is_refused_alone(api: Api, world: World, payload: dict[str, Any]) -> None:
    sent = [entry(), entry(), entry()]
    sent[1]["payload"] = sent[1]["payload"] | payload
    body = {"session": str(world.session.pk), "device": DEVICE, "sent_at": timezone.now().isoformat(), "entries": sent}
    # As a browser sends it: half a pair stands as an escape in the text.
    answer = api.client.post("/api/v1/bedside/entries", json.dumps(body), content_type="application/json")
    assert answer.status_code == 200
    found = answer.json()["answers"]
    assert [one["status"] for one in found] == ["stored", "refused", "stored"]
    assert "invalid character" in found[1]["message"]
    assert LogEntry.objects.count() == 2


def test_number_that_no_database_keeps_is_refused(api: Api, world: World) -> None:
    assert post(api, world.session, entry(sequence=2**63)).status_code == 400
    assert post(api, world.session, entry(version=2**31)).status_code == 400


def test_slow_batch_is_answered_before_the_line_is_given_up(
    api: Api, world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bedside_views, "MOST_SECONDS", -1.0)
    sent = [entry() for _ in range(3)]
    assert [one["status"] for one in answers(api, world.session, *sent)] == ["stored", "later", "later"]
    assert [one["status"] for one in answers(api, world.session, *sent[1:])] == ["stored", "later"]


def test_lease_of_a_dead_process_runs_out(api: Api, world: World) -> None:
    sent = entry()
    answers(api, world.session, sent)
    row, soon = BedsideEntry.objects.all(), timezone.now() + dt.timedelta(seconds=20)
    LogEntry.objects.all().delete()
    row.update(answer=None, lease_until=soon)
    later = entry()
    assert [one["status"] for one in answers(api, world.session, sent, later)] == ["retry", "retry"]
    assert not LogEntry.objects.exists()
    row.update(lease_until=timezone.now() - dt.timedelta(seconds=1))
    assert [one["status"] for one in answers(api, world.session, sent, later)] == ["stored", "stored"]


def test_state_tells_what_changed_and_304_when_nothing_did(api: Api, world: World) -> None:
    address = f"bedside/sessions/{world.session.pk}"
    whole = api.get(address).json()
    assert whole["whole"] is True
    assert [one["key"] for one in whole["records"]["sites"]] == [str(world.site.pk)]
    unchanged = api.get(address, since=whole["cursor"])
    assert (unchanged.status_code, unchanged["Tributary-Person"]) == (304, whole["me"])
    beside = make.make_tributary(make.make_session(world.patient))
    written = log(by=world.physician, session=world.session, kind="note", text="new")
    delta = api.get(address, since=whole["cursor"]).json()
    assert delta["whole"] is False
    assert [one["key"] for one in delta["records"]["entries"]] == [str(written.pk)]
    assert str(beside.pk) not in str(delta)
    assert api.get(address, since=delta["cursor"]).status_code == 304
    assert api.get(address, since=10_000_000).json()["whole"] is True
    assert api.get(address, since="x").status_code == 400


def test_state_holds_no_identifier(api: Api, world: World) -> None:
    text = api.get(f"bedside/sessions/{world.session.pk}").content.decode()
    identity = world.patient.identity
    for word in (identity.family_name, identity.given_name, identity.birth_date, identity.local_identifier):
        assert str(word) not in text
    assert str(world.patient.pk) not in text
    assert world.session.code in text


def test_state_costs_a_fixed_number_of_queries(api: Api, world: World, django_assert_max_num_queries: Any) -> None:
    for number in range(30):
        log(by=world.physician, session=world.session, kind="note", text=str(number))
        make.make_measurement(make.make_site(world.tributary))
    with django_assert_max_num_queries(40):
        api.get(f"bedside/sessions/{world.session.pk}")


@pytest.mark.django_db(transaction=True)
def test_one_entry_sent_by_six_at_once_is_written_once(transactional_db: None, world: World) -> None:
    sent, start = entry(), Barrier(6)
    links = Change.objects.count()

    def write(api: Api) -> str:
        try:
            start.wait()
            return str(answers(api, world.session, sent)[0]["status"])
        finally:
            connection.close()

    with ThreadPoolExecutor(6) as pool:
        found = list(pool.map(write, [Api(world.physician) for _ in range(6)]))
    assert set(found) <= {"stored", "replayed", "retry"}
    assert found.count("stored") == 1
    assert LogEntry.objects.count() == BedsideEntry.objects.count() == 1
    assert Change.objects.count() == links + 1
    assert Tributary.objects.count() == 1


@pytest.mark.parametrize("key", ["", "made up", "0194-0000"])
def test_entry_of_the_session_opens_no_other_session(api: Api, world: World, key: str) -> None:
    count = Session.objects.count()
    sent = entry("session", key=key or str(new_key()), payload={"contrast_ml": 60, "patient": str(world.patient.pk)})
    (answer,) = answers(api, world.session, sent)
    assert (answer["status"], answer["http"]) == ("refused", 404)
    assert Session.objects.count() == count
