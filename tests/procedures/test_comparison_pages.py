"""The comparison page, its figures and its state, as answers of the server."""

from __future__ import annotations

import json
import re
from html.parser import HTMLParser

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from procedures.models import ComparisonRun, Session
from procedures.services.decisions import record_decision
from procedures.services.responses import refresh_responses
from registry.models import Role, RunState
from tests.factories import (
    enter,
    make_epoch,
    make_measurement,
    make_session,
    make_site,
    make_tributary,
    make_user,
    writer_of,
)
from tests.procedures.comparing import KEY, recorded_session, typed_session

pytestmark = pytest.mark.django_db


def _client(session: Session, role: str = Role.LAB_STAFF) -> Client:
    client = Client()
    client.force_login(make_user(role, session.centre))
    return client


def _page(session: Session, query: str = "", role: str = Role.LAB_STAFF) -> str:
    answer = _client(session, role).get(reverse("procedures:comparison", args=[session.pk]) + query)
    assert answer.status_code == 200
    return " ".join(answer.content.decode().split())


class _Cells(HTMLParser):
    """Collects the text of table rows."""

    def __init__(self) -> None:
        super().__init__()
        self.rows: list[list[str]] = []
        self._in_cell = False

    def handle_starttag(self, tag: str, attrs: list) -> None:
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th"):
            self._in_cell = True
            if self.rows:
                self.rows[-1].append("")

    def handle_endtag(self, tag: str) -> None:
        if tag in ("td", "th"):
            self._in_cell = False

    def handle_data(self, data: str) -> None:
        if self._in_cell and self.rows and self.rows[-1]:
            self.rows[-1][-1] = (self.rows[-1][-1] + " " + data.strip()).strip()


def _row(page: str, label: str) -> list[list[str]]:
    parser = _Cells()
    parser.feed(page)
    return [row for row in parser.rows if row and row[0] == label]


def test_page_shows_the_answer_the_table_and_the_caution() -> None:
    session = typed_session({"A": 3.0, "B": 12.0})
    page = _page(session)
    assert "B leads:" in page
    assert "+12.0" in page
    assert "does not replace the judgement" in page
    assert "right-ventricular pacing" in page
    assert "entered by hand" in page
    assert "5 baselines used" in page
    response, electrical, *_ = _row(page, "B")
    assert response[1] == "+12.0"
    assert response[5] == "+12.0"  # simple paired, of data without noise
    assert response[7] == "2 / 60"
    assert electrical[1] == "no electrical measurements"


def test_page_puts_electrical_numbers_and_concerns_in_words() -> None:
    session = typed_session({"A": 3.0, "B": 12.0})
    make_measurement(
        session.sites.get(label="B"), capture_threshold_v=2.8, pulse_width_ms=0.5, phrenic_threshold_v=4.2,
        qrs_duration_ms=148.0,
    )  # fmt: skip
    electrical = _row(_page(session), "B")[1]
    assert electrical[1].replace("\xa0", " ") == "2.8 V at 0.5 ms"
    assert electrical[2].replace("\xa0", " ") == "4.2 V (1.5 × threshold)"
    assert electrical[3:6] == ["not measured", "not measured", "148 entered"]
    assert "threshold 2.8 V above 2.5 V at 0.5 ms" in electrical[6]
    assert "phrenic stimulation at 1.5 times the capture threshold" in electrical[6]
    assert "not assessed" not in electrical[6]


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"capture_threshold_v": 4.0, "pulse_width_ms": 1.0}, "threshold 4 V above 2.5 V at 1 ms"),
        (
            {"capture_threshold_v": 5.0, "pulse_width_ms": 0.4},
            "not assessed: threshold at 0.4 ms; phrenic stimulation not tested",
        ),
        ({"capture_threshold_v": None, "pulse_width_ms": None, "impedance_ohm": 700.0}, "not assessed: no threshold"),
    ],
)
@pytest.mark.parametrize("name", ["comparison", "report"])
def test_pages_say_none_only_where_threshold_and_phrenic_nerve_were_judged(name, values, words) -> None:
    session = typed_session({"A": 3.0, "B": 12.0})
    make_measurement(session.sites.get(label="A"), capture_threshold_v=1.0, phrenic_none_up_to_v=10.0)
    make_measurement(session.sites.get(label="B"), **values)
    page = _client(session).get(reverse(f"procedures:{name}", args=[session.pk])).content.decode()
    assert _row(page, "A")[1][-1] == "none"
    assert words in _row(page, "B")[1][-1]


def test_page_lists_sites_not_reached_with_the_reason() -> None:
    session = typed_session({"A": 3.0})
    make_site(make_tributary(session, "posterior"), "P", reached=False, not_reached_reason="unfavourable_take_off")
    assert "<strong>P</strong> (Posterior vein of the left ventricle): unfavourable take-off." in _page(session)


def test_page_without_baseline_says_what_to_do_and_shows_no_numbers() -> None:
    session = make_session()
    enter(make_epoch(session, make_site(make_tributary(session), "A")), KEY, 900)
    refresh_responses(session.pk)
    page = _page(session)
    assert "No baseline has been recorded, so changes cannot be calculated." in page
    assert "record a baseline epoch" in page
    assert "response-table" not in page
    assert "data-figure-url" not in page


def test_page_of_an_empty_session_says_so() -> None:
    page = _page(make_session())
    assert "No site has been tested yet." in page
    assert "No decision has been recorded." in page


def test_metric_is_chosen_by_address_and_unknown_keys_fall_back() -> None:
    session = recorded_session({"A": 12.0, "B": 4.0})
    enter(make_epoch(session, session.sites.get(label="A"), start_s=900), KEY, 900)
    refresh_responses(session.pk)
    assert "stroke work +12" in _page(session).replace("\xa0", " ")
    assert "dP/dt max: change" not in _page(session, f"?metric={KEY}")  # only one state was measured: a refusal
    assert "cannot be compared" in _page(session, f"?metric={KEY}")
    assert "stroke work +12" in _page(session, "?metric=nonsense")


def test_partial_request_gets_the_changing_part_only() -> None:
    session = typed_session({"A": 3.0})
    answer = _client(session).get(reverse("procedures:comparison", args=[session.pk]), headers={"HX-Request": "true"})
    assert b"<html" not in answer.content
    assert b'id="comparison-state"' in answer.content


def test_decision_is_shown_with_its_reason_and_its_button_is_a_physicians() -> None:
    session = typed_session({"A": 3.0, "B": 12.0})
    record_decision(
        by=writer_of(session.centre), session=session, site=session.sites.get(label="B"), reason="Best & stable.",
        metric=KEY,
    )  # fmt: skip
    page = _page(session)
    assert "Chosen by the physician: B, the leading site by dP/dt max at that time." in page
    assert "Best &amp; stable." in page
    assert "Only a physician can record the decision." in page
    assert "Record another decision" in _page(session, role=Role.PHYSICIAN)


def test_page_is_not_found_for_another_centre_and_without_a_right() -> None:
    session = typed_session({"A": 3.0})
    for user in (make_user(Role.PHYSICIAN), make_user(Role.RESEARCHER, session.centre)):
        client = Client()
        client.force_login(user)
        for name, extra in (("comparison", []), ("comparison_state", []), ("figure", ["sites"]), ("report", [])):
            assert client.get(reverse(f"procedures:{name}", args=[session.pk, *extra])).status_code == 404


def test_page_asks_for_no_inline_style_or_script() -> None:
    page = _page(recorded_session({"A": 12.0, "B": 4.0}))
    assert not re.search(r"<[^>]+\sstyle=", page)
    assert not re.search(r"<[^>]+\son\w+=", page)
    assert not re.search(r"<script(?![^>]*\ssrc=)", page)


def test_reasoning_tells_epochs_beats_refused_and_origin() -> None:
    page = _page(recorded_session({"A": 12.0, "B": 4.0}))
    assert "2 settling, 1 ectopic" in page
    assert "computed" in page
    assert "acute-response 2" in page
    assert "The measured change and the shrunken estimate give the same order." in page


def test_session_without_recording_says_why_there_are_no_loops() -> None:
    assert "No loops" in _page(typed_session({"A": 3.0}))
    assert "No loops" not in _page(recorded_session({"A": 12.0}))


def test_page_says_that_entries_are_still_to_be_worked_in(queue_down, django_capture_on_commit_callbacks) -> None:
    with django_capture_on_commit_callbacks(execute=True):
        session = typed_session({"A": 8.0})
    page = _page(session)
    assert "The latest entries are being added to the comparison." in page
    ComparisonRun.objects.update(state=RunState.FAILED, failure="The comparison was not worked out.")
    page = _page(session)
    assert "not up to date</span> The comparison was not worked out. What is shown leaves the latest" in page
    ComparisonRun.objects.update(state=RunState.DONE)
    assert "latest entries" not in _page(session)


@pytest.mark.parametrize("name", ["sites", "metrics", "loops", "segments", "timeline"])
def test_figure_is_data_and_layout(name: str) -> None:
    session = recorded_session({"A": 12.0, "B": 4.0})
    answer = _client(session).get(reverse("procedures:figure", args=[session.pk, name]))
    assert answer["Content-Type"] == "application/json"
    figure = json.loads(answer.content)
    assert figure["data"]
    assert set(figure) >= {"data", "layout"}
    assert not figure["layout"].get("template")


@pytest.mark.parametrize("name", ["sites", "metrics", "loops", "segments", "timeline"])
def test_figure_of_an_empty_session_has_no_data(name: str) -> None:
    session = make_session()
    answer = _client(session).get(reverse("procedures:figure", args=[session.pk, name]))
    assert answer.json()["data"] == []


def test_figure_of_an_unknown_name_is_not_found() -> None:
    session = make_session()
    assert _client(session).get(reverse("procedures:figure", args=[session.pk, "pie"])).status_code == 404


def test_segments_of_another_site_can_be_asked_for() -> None:
    session = recorded_session({"A": 12.0, "B": 4.0})
    url = reverse("procedures:figure", args=[session.pk, "segments"])
    client = _client(session)
    assert {trace["name"] for trace in client.get(url).json()["data"]} == {"baseline", "A"}
    assert {trace["name"] for trace in client.get(url, {"site": "B"}).json()["data"]} == {"baseline", "B"}


def test_state_changes_when_an_epoch_is_saved_and_only_then() -> None:
    session = typed_session({"A": 3.0})
    client, url = _client(session), reverse("procedures:comparison_state", args=[session.pk])
    before = client.get(url).json()["state"]
    assert client.get(url).json()["state"] == before
    enter(make_epoch(session, session.sites.get(), start_s=900), KEY, 850)
    refresh_responses(session.pk)
    assert client.get(url).json()["state"] > before


@pytest.mark.parametrize("page", ["comparison", "report"])
def test_queries_do_not_grow_with_the_number_of_sites(page: str) -> None:
    counts = []
    for sites in (1, 12):
        session = typed_session({f"S{i}": float(i) for i in range(sites)}, visits=1)
        for site in session.sites.all():
            make_measurement(site)
        client = _client(session)
        with CaptureQueriesContext(
            connection,
        ) as queries:
            assert client.get(reverse(f"procedures:{page}", args=[session.pk])).status_code == 200
        counts.append(len(queries))
    assert counts[0] == counts[1]
    assert counts[0] <= 40
