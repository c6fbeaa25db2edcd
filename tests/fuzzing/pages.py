"""Every form of every page, sent with anything in the place of any value; every address asked with odd parameters."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from html.parser import HTMLParser
from typing import Any

from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import transaction
from django.test import Client
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st

from tests.fuzzing.values import nasty
from tests.pages import World, address, routes

_NOT_SENT = {"submit", "button", "image", "reset"}
Send = Callable[[Client, str, str, dict[str, Any], dict[str, str]], None]


@dataclass(frozen=True)
class Form:
    """A form as it stands on a page: where it goes, and what it holds."""

    client: str
    method: str
    action: str
    values: dict[str, Any]


class _Forms(HTMLParser):
    def __init__(self, page: str) -> None:
        super().__init__()
        self.page, self.found, self._open = page, list[tuple[str, str, dict[str, Any]]](), False
        self._select = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        for method in ("post", "get"):
            if f"hx-{method}" in given:
                self.found.append((method, given[f"hx-{method}"] or self.page, {}))
        if tag == "form":
            self.found.append((given.get("method", "get").lower(), given.get("action") or self.page, {}))
            self._open = True
        elif self._open and given.get("name"):
            values = self.found[-1][2]
            name = given["name"]
            if tag == "input" and given.get("type", "text") not in _NOT_SENT:
                odd = given.get("type") in {"radio", "checkbox"} and "checked" not in given
                values.setdefault(name, "") if odd else values.update({name: given.get("value", "")})
                if given.get("type") == "file":
                    values[name] = SimpleUploadedFile
                elif odd and not values[name]:
                    values[name] = given.get("value", "on")
            elif tag == "textarea":
                values[name] = ""
            elif tag == "select":
                values[name], self._select = "", name
        elif tag == "option" and self._open and self._select:
            values = self.found[-1][2]
            if "selected" in given or not values[self._select]:
                values[self._select] = given.get("value", "")

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self._open = False
        if tag == "select":
            self._select = ""


def addresses(world: World) -> list[str]:
    """Return every address of this world that can be filled."""
    found = []
    for _name, pattern in routes():
        try:
            found.append(address(pattern, world.values))
        except KeyError:
            continue
    return sorted(set(found))


def forms(world: World) -> Iterator[Form]:
    """Read the forms of every page, each once for each who sees it."""
    seen = set()
    for where in addresses(world):
        for name, client in world.clients.items():
            with transaction.atomic():
                answer = client.get(where)
                transaction.set_rollback(True)
            if answer.status_code != 200 or "html" not in answer.headers.get("Content-Type", ""):
                continue
            parser = _Forms(where)
            parser.feed(answer.content.decode())
            for method, action, values in parser.found:
                key = (name, method, re.sub(r"\?.*", "", action), tuple(values))
                if key not in seen and action.startswith("/"):
                    seen.add(key)
                    yield Form(name, method, action, values)


def run_forms(world: World, found: list[Form], send: Send, examples: int, number: int = 1) -> None:
    """Send forms of the world; ``send`` asks the service and notes the answer."""

    @seed(number)
    @settings(
        max_examples=examples,
        deadline=None,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(form=st.sampled_from(found), data=st.data())
    def one(form: Form, data: st.DataObject) -> None:
        values = {name: _upload(data, value) for name, value in form.values.items()}
        for _ in range(data.draw(st.integers(0, 4))):
            if not values:
                break
            name = data.draw(st.sampled_from(sorted(values)))
            how = data.draw(st.integers(0, 5))
            if how == 0:
                del values[name]
            elif how == 1:
                values[name] = [values[name], data.draw(nasty)]
            else:
                values[name] = data.draw(nasty)
        if data.draw(st.integers(0, 5)) == 0:
            values[data.draw(nasty)] = data.draw(nasty)
        headers = {"HX-Request": "true"} if data.draw(st.integers(0, 5)) == 0 else {}
        send(world.clients[form.client], form.method, form.action, values, headers)

    one()


def run_addresses(world: World, send: Send, examples: int, number: int = 1) -> None:
    """Ask every address by any method with odd parameters, and addresses with a piece put in another's place."""
    known = addresses(world)
    names = [
        "page",
        "q",
        "next",
        "year",
        "from",
        "to",
        "start",
        "end",
        "count",
        "sort",
        "kind",
        "width",
        "at",
        "centre",
    ]

    @seed(number)
    @settings(
        max_examples=examples,
        deadline=None,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(
        where=st.sampled_from(known),
        who=st.sampled_from(sorted(world.clients)),
        method=st.sampled_from(["get", "get", "get", "post", "put", "delete", "options", "head"]),
        query=st.dictionaries(st.one_of(st.sampled_from(names), nasty), nasty, max_size=3),
        piece=st.one_of(st.none(), st.none(), nasty),
        headers=st.dictionaries(
            st.sampled_from(["If-Match", "If-None-Match", "Range", "Accept", "Accept-Language", "If-Modified-Since"]),
            nasty.map(lambda text: re.sub(r"[\r\n\x00]", "", text).encode("latin-1", "replace").decode("latin-1")),
            max_size=1,
        ),
    )
    def one(where: str, who: str, method: str, query: dict, piece: str | None, headers: dict) -> None:
        if piece is not None:
            pieces = where.split("/")
            pieces[len(pieces) // 2] = re.sub(r"[?#]", "", piece)
            where = "/".join(pieces)
        send(world.clients[who], method, where, query, headers)

    one()


def _upload(data: st.DataObject, value: Any) -> Any:
    if value is SimpleUploadedFile:
        content = data.draw(st.one_of(st.binary(max_size=300), nasty.map(lambda text: text.encode("utf-8", "replace"))))
        return SimpleUploadedFile(data.draw(st.sampled_from(["a.csv", "a.edf", "../a.xlsx", "²\x00.csv"])), content)
    return value
