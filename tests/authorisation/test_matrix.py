"""Every route of the URL conf, for every role, in the own and another centre, at a signed and an unsigned session."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from django.core.cache import cache
from django.db import transaction
from django.test import override_settings
from django.urls import reverse

from registry.api.building import taken_by
from tests.authorisation.routes import Route, all_routes
from tests.authorisation.rules import ADMINISTRATOR, BEDSIDE, EDITS, RESEARCHER, RULES, Rule, Scope
from tests.authorisation.world import FAMILY_NAME, HOSPITAL_NUMBER, SECRETS, Place, Visitor, World, make_world

# One process makes the world once.
pytestmark = [pytest.mark.django_db, pytest.mark.xdist_group("authorisation")]
ROUTES = all_routes()
PATIENTS = ("api:assessment-detail", "api:adverseevent-detail", "api:devicecheck-detail", "api:consent-detail")
# Refusals of what was sent, made after the person was let through.
LET_THROUGH = {200, 201, 204, 304, 400, 409, 412, 422}


@pytest.fixture(scope="module")
def world(django_db_setup: None, django_db_blocker: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[World]:
    """Make the world once; nothing of it is left behind."""
    folder = tmp_path_factory.mktemp("recordings")
    with django_db_blocker.unblock(), override_settings(MEDIA_ROOT=folder), transaction.atomic():
        yield make_world()
        transaction.set_rollback(True)


def outcome(answer: Any) -> str:
    """Say in a word what somebody met."""
    if answer.status_code == 302:
        return "log in" if answer["Location"].startswith(f"{reverse('login')}?next=") else "let through"
    if answer.status_code == 403 and b"not_authenticated" in answer.content:
        return "log in"
    words = {403: "refused", 404: "not found", 405: "no such method"}
    return (
        "let through" if answer.status_code in LET_THROUGH else words.get(answer.status_code, str(answer.status_code))
    )


def expected(rule: Rule, allowed: frozenset[str], role: str, *, here: bool) -> str:
    """Return what the rule says somebody logged in meets."""
    if role in allowed and (here or rule.scope is not Scope.AT_RECORD):
        return "let through"
    if rule.scope is Scope.OWN or (role in rule.refused and (here or rule.refused_everywhere)):
        return "refused"
    return "not found"


def body_of(route: Route, place: Place, world: World) -> dict[str, Any]:
    """Return what is sent: a record as it is stored, or something that no form takes."""
    if route.name not in EDITS and route.name not in PATIENTS:
        return {"metrics": {}} if route.name == "api:epoch-metrics" else {"x": "1"}
    shown = world.here["physician"].visit("get", route.address(place)).json()
    fields = taken_by(route.pattern.callback.cls.kind)().fields
    body = {name: shown[name] for name in fields if name in shown}
    return body | ({"scanned_text": "DEMO-0001"} if "scanned_text" in fields else {})


def send(visitor: Visitor, method: str, route: Route, place: Place, body: dict[str, Any] | None) -> Any:
    """Visit the route."""
    cache.clear()  # attempts to log in are counted
    options = {"content_type": "application/json"} if body is not None and route.name.startswith("api:") else {}
    return visitor.visit(method, route.address(place), body, **options)


def test_every_route_has_a_rule_and_every_rule_a_route() -> None:
    assert {route.name for route in ROUTES} == set(RULES)


@pytest.mark.parametrize("route", ROUTES, ids=lambda route: route.name)
def test_who_is_let_through(world: World, route: Route) -> None:
    rule = RULES[route.name]
    if rule.made_up:
        everybody = [*world.here.items(), *world.elsewhere.items()]
        met = {
            outcome(visitor.visit(method, route.made_up())) for _, visitor in everybody for method in ("get", "post")
        }
        assert met <= {"not found", "refused", "no such method"}
        assert {outcome(world.anonymous.visit(method, route.made_up())) for method in ("get", "post")} == {"log in"}
        return
    wrong = []
    places = world.places if route.is_about_a_session else {"either": world.places["unsigned"]}
    for method, allowed in (("get", rule.get), (route.sends, rule.send)):
        for about, place in places.items():
            body = None if method == "get" else body_of(route, place, world)
            if not allowed and (rule.get or rule.send):
                met = outcome(send(world.here["physician"], method, route, place, body))
                if met not in ("no such method", "not found"):
                    wrong.append(f"{method}: {met}, but nobody is let through")
                continue
            everybody = [(role, True, visitor) for role, visitor in world.here.items()]
            if about != "signed":  # what is not found is not found whether signed or not
                everybody += [(role, False, visitor) for role, visitor in world.elsewhere.items()]
            for role, here, visitor in everybody:
                answer = send(visitor, method, route, place, body)
                met, due = outcome(answer), expected(rule, allowed, role, here=here)
                where = f"{method} {about} as {role} of {'this' if here else 'another'} centre"
                nobody = not (rule.get or rule.send)
                if met != due and not (nobody and met == "no such method"):
                    wrong.append(f"{where}: {met} ({answer.status_code}) instead of {due}")
                wrong += [f"{where}: {fault}" for fault in faults(rule, answer, role, here=here)]
            met = outcome(send(world.anonymous, method, route, place, body))
            open_to = {"let through"} if allowed else {"not found", "no such method"}
            if met not in (open_to if rule.scope is Scope.OPEN else {"log in"}):
                wrong.append(f"{method} {about} without a log-in: {met}")
    assert wrong == []


def faults(rule: Rule, answer: Any, role: str, *, here: bool) -> Iterator[str]:
    """Yield what an answer must not hold: another centre's words, identifiers for the wrong role, leave to be kept."""
    content = b"".join(answer.streaming_content) if answer.streaming else answer.content
    text = content.decode(errors="replace")
    if not here and any(secret in text for secret in SECRETS):
        yield "something of the other centre is in the answer"
    if role in (ADMINISTRATOR, RESEARCHER, "ended") and (FAMILY_NAME in text or HOSPITAL_NUMBER in text):
        yield "an identifier is in the answer"
    if answer.status_code == 200 and rule.scope is not Scope.OPEN and "no-store" not in answer.get("Cache-Control", ""):
        yield "a cache may keep the answer"


@pytest.mark.parametrize("route", [route for route in ROUTES if route.name.endswith("-list")], ids=lambda r: r.name)
def test_list_holds_the_own_centre_only(world: World, route: Route) -> None:
    place = world.places["unsigned"]
    key = str(place.records[route.record_name()].pk)
    for visitors, here in ((world.here, True), (world.elsewhere, False)):
        for role, visitor in visitors.items():
            listed = {record["id"] for record in visitor.visit("get", route.address(place)).json()["results"]}
            assert (key in listed) == (here and role in BEDSIDE), role


@pytest.mark.parametrize("route", [route for route in ROUTES if route.name in EDITS], ids=lambda route: route.name)
def test_signed_session_takes_no_change_without_a_reason(world: World, route: Route) -> None:
    statuses = {}
    for about, place in world.places.items():
        body = body_of(route, place, world) | EDITS[route.name]
        for role in ("physician", "clinical_lead"):
            statuses[about, role] = send(world.here[role], "put", route, place, body).status_code
    assert set(statuses.values()) == {200, 409}
    assert {about for (about, _), status in statuses.items() if status == 409} == {"signed"}
