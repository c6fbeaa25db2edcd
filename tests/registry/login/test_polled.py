"""What pages ask for by a timer is named in the idle lock, or an untouched page would keep its session open."""

from __future__ import annotations

import re
from pathlib import Path

from django.conf import settings

from registry.login.idle import QUIET

ROOMS = ("config", "registry", "procedures", "analytics")
_TAG = re.compile(r"<[^<>]*\bhx-trigger=\"[^\"]*\b(?:every|watch)\b[^<>]*>")
_ROUTE = re.compile(r"hx-get=\"{% url '([^']+)'")
_TIMER = re.compile(r"\bset(?:Interval|Timeout)\(")
_ASKS = re.compile(r"\b(?:fetch|post|transport\.\w+|htmx\.\w+)\(")
# Scripts in which a timer stands beside a question to the server, and what they ask for while nobody is there.
SCRIPTS = {
    "procedures/static/procedures/bedside/sync.js": {"api:bedside_session", "api:bedside_token", "api:bedside_entries"},
    "procedures/static/procedures/comparison.js": {"procedures:comparison_state"},
    # Waits for its own storage by a timer; what it asks for is what a person does.
    "procedures/static/procedures/bedside/store.js": set(),
    # Asks again for a figure that is being prepared.
    "config/static/tributary/plotting.js": {"procedures:signals"},
    # Starts the watching of the part below it, named in its template.
    "procedures/static/procedures/recording.js": {"procedures:progress"},
    # Asks after a touch only; by its timer it locks.
    "registry/static/registry/lock.js": set(),
}


def files(pattern: str) -> list[Path]:
    return [
        path
        for room in ROOMS
        for path in sorted((settings.BASE_DIR / room).rglob(pattern))
        if "vendor" not in path.parts
    ]


def test_parts_of_pages_that_are_fetched_again_and_again_are_quiet() -> None:
    tags = [tag for path in files("*.html") for tag in _TAG.findall(path.read_text())]
    routes = {route for tag in tags for route in _ROUTE.findall(tag)}
    assert len(tags) >= 3
    assert all(_ROUTE.search(tag) for tag in tags), "a polled part whose route is not read here"
    assert routes <= QUIET


def test_scripts_that_ask_by_a_timer_are_known_and_ask_quietly() -> None:
    texts = {str(path.relative_to(settings.BASE_DIR)): path.read_text() for path in files("*.js")}
    found = {name for name, text in texts.items() if _TIMER.search(text) and _ASKS.search(text)}
    assert found == set(SCRIPTS)
    assert set().union(*SCRIPTS.values()) <= QUIET
