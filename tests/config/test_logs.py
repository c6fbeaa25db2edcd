"""The log holds time, level, request, account and centre, and never what identifies a person."""

from __future__ import annotations

import contextlib
import datetime as dt
import io
import json
import logging
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from unittest.mock import patch

import pytest
from django.db import IntegrityError
from django.test import Client
from django.urls import reverse
from pydicom.data import get_testdata_file

from config.watching.logs import JsonLines
from procedures.recordings import RecordingError, read_recording
from registry.models import Patient, Role, User
from tests import factories as make
from tests.registry.jobs.runs import make_run, work_is

pytestmark = pytest.mark.django_db

IDENTIFIERS = ("Markername", "Markergiven", "MARKER-0042", "1951-02-03")
TYPED = ("marker-password", "markeruser", "markerhost")


class Log:
    """What was logged, as a service would write it."""

    def __init__(self) -> None:
        self.stream = io.StringIO()

    @property
    def lines(self) -> list[dict[str, Any]]:
        return [json.loads(line) for line in self.stream.getvalue().splitlines()]

    def requests(self) -> list[dict[str, Any]]:
        return [line for line in self.lines if line["logger"] == "tributary.requests"]


@pytest.fixture
def log() -> Iterator[Log]:
    """Write the log of every logger at INFO to memory."""
    found = Log()
    handler = logging.StreamHandler(found.stream)
    handler.setFormatter(JsonLines())
    root, ours, django = (logging.getLogger(name) for name in (None, "tributary", "django"))
    before = [(one, one.level) for one in (root, ours, django)]
    root.addHandler(handler)
    for one in (root, ours, django):
        one.setLevel(logging.INFO)
    yield found
    root.removeHandler(handler)
    for one, level in before:
        one.setLevel(level)


@pytest.fixture
def physician() -> User:
    return make.make_user(Role.PHYSICIAN)


@pytest.fixture
def browser(physician: User) -> Client:
    client = Client(raise_request_exception=False)
    client.force_login(physician)
    return client


def identified(by: User) -> Patient:
    centre = by.memberships.get().centre
    return make.make_patient(
        centre,
        by=by,
        family_name=IDENTIFIERS[0],
        given_name=IDENTIFIERS[1],
        local_identifier=IDENTIFIERS[2],
        birth_date=dt.date.fromisoformat(IDENTIFIERS[3]),
    )


def test_no_identifier_and_nothing_typed_reaches_the_log(log: Log, browser: Client, physician: User) -> None:
    patient = identified(physician)
    pages = [
        browser.get(reverse("registry:patients"), {"q": IDENTIFIERS[0]}),
        browser.get(reverse("registry:patient", args=[patient.pk])),
        browser.get(f"/patients/{IDENTIFIERS[0]}/{IDENTIFIERS[2]}"),
        browser.post(reverse("registry:new_patient"), {"family_name": IDENTIFIERS[0], "birth_date": IDENTIFIERS[3]}),
        browser.get("/", headers={"host": TYPED[2]}),
        Client().post(reverse("login"), {"username": TYPED[1], "password": TYPED[0]}),
        Client(enforce_csrf_checks=True).post(
            reverse("login"), {"username": TYPED[1]}, secure=True, headers={"referer": f"https://{TYPED[2]}/"}
        ),
    ]
    with patch(
        "registry.views.patients.find_patient", side_effect=IntegrityError(f"DETAIL: row contains ({IDENTIFIERS[0]})")
    ):
        pages.append(browser.get(reverse("registry:patient", args=[patient.pk])))

    def breaks(_: Any) -> None:
        raise ValueError(f"cannot read {IDENTIFIERS[2]}")

    with (
        work_is(breaks),
        patch("registry.jobs.carrying.RUN_KINDS", __import__("registry.jobs", fromlist=["RUN_KINDS"]).RUN_KINDS),
    ):
        from registry.jobs import carry_out

        run = make_run()
        carry_out("analysis", run.pk)
    assert [page.status_code for page in pages] == [200, 200, 404, 422, 400, 200, 403, 500]
    whole = log.stream.getvalue()
    assert [word for word in (*IDENTIFIERS, *TYPED) if word.casefold() in whole.casefold()] == []
    fault = next(line for line in log.lines if line.get("run") == f"analysis {run.pk}")
    assert fault["fault"]["kind"] == "builtins.ValueError"
    assert any("breaks" in place for place in fault["fault"]["at"])


def test_nothing_that_stands_in_a_file_reaches_the_log(log: Log, tmp_path: Path) -> None:
    raw = Path(str(get_testdata_file("waveform_ecg.dcm", download=False))).read_bytes()
    assert b"1.2.840.10008.1.2.1\x00" in raw
    (tmp_path / "ecg.dcm").write_bytes(raw.replace(b"1.2.840.10008.1.2.1\x00", b"Marker.10008.1.2.1\x00\x00"))
    with contextlib.suppress(RecordingError):
        read_recording(tmp_path / "ecg.dcm")
    assert "marker" not in log.stream.getvalue().casefold()


def test_each_line_says_when_what_and_whose(log: Log, browser: Client, physician: User) -> None:
    answer = browser.get(reverse("registry:patients"), headers={"x-request-id": "from-the-proxy-1"})
    (line,) = log.requests()
    assert line["request"] == "from-the-proxy-1" == answer["X-Request-ID"]
    assert line["account"] == str(physician.pk)
    assert line["centre"] == str(physician.memberships.get().centre_id)
    assert (line["level"], line["method"], line["route"], line["status"]) == ("INFO", "GET", "registry:patients", 200)
    assert abs(dt.datetime.fromisoformat(line["time"]) - dt.datetime.now(dt.UTC)) < dt.timedelta(minutes=1)


def test_centre_is_that_of_what_was_asked_for_when_somebody_works_in_two(log: Log) -> None:
    ours, other = make.make_centre(), make.make_centre()
    user = make.make_user(Role.ADMINISTRATOR, ours)
    from registry.services.people import add_member

    add_member(by=None, centre=other, user=user, role=Role.ADMINISTRATOR)
    client = Client()
    client.force_login(user)
    client.get(reverse("people:centre", args=[other.code]))
    assert log.requests()[-1]["centre"] == str(other.pk)


@pytest.mark.parametrize("given", ["short", "x" * 65, 'new"line', "a b c d e f g h"])
def test_an_odd_request_id_is_replaced(log: Log, browser: Client, given: str) -> None:
    answer = browser.get(reverse("registry:patients"), headers={"x-request-id": given})
    assert answer["X-Request-ID"] != given
    assert log.requests()[0]["request"] == answer["X-Request-ID"]


def test_a_line_break_in_a_message_stays_within_its_line(log: Log) -> None:
    logging.getLogger("tributary").warning('one\n{"level": "made up"}')
    assert [line["level"] for line in log.lines] == ["WARNING"]
