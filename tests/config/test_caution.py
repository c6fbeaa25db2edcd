"""Every page that compares sites, numbers or outcomes says what it is not: no substitute for the team's judgement."""

from __future__ import annotations

import pytest
from django.utils.html import escape

from registry.caution import CAUTION
from tests.pages import World, address, make_world, routes

pytestmark = pytest.mark.django_db
# Pages that show values beside a baseline, a limit, a guideline or another centre's level. The two printed reports,
# of a session and of a year, are among them.
COMPARING = {
    "procedures:session",
    "procedures:comparison",
    "procedures:report",
    "procedures:decision",
    "procedures:electrodes",
    "procedures:session_ecgs",
    "procedures:ecg",
    "procedures:recording",
    "procedures:calibration",
    "procedures:bedside",
    "registry:patient",
    "registry:survival",
    "analytics:audit",
    "analytics:audit_sessions",
}
# What gives a page with a comparison away, so that a new one cannot be left out of the list above.
MARKS = ('class="comparison-table', "data-figure-url", "report-table", "criteria", "answer-status")
# A figure of how complete the fields are: it compares no patient and no site.
NOT_COMPARING = {"analytics:quality"}


@pytest.fixture
def world(settings, tmp_path) -> World:
    settings.MEDIA_ROOT = tmp_path
    return make_world()


def test_every_page_that_compares_carries_the_caution(world: World) -> None:
    client, seen, faults = world.clients["clinical_lead"], set(), []
    for name, pattern in routes():
        values = world.values
        if "calibrations/<" in pattern:
            values = values | {"recording": values["calibration's recording"]}
        try:
            where = address(pattern, values)
        except KeyError:
            continue
        answer = client.get(where)
        if answer.status_code != 200 or "text/html" not in answer["Content-Type"]:
            continue
        html = answer.content.decode()
        if "<html" not in html:
            continue  # a part of a page that carries it
        compares = name in COMPARING or (any(mark in html for mark in MARKS) and name not in NOT_COMPARING)
        seen |= {name} & COMPARING
        if compares and escape(CAUTION) not in html:
            faults.append(f"{name}: {where}")
    assert faults == []
    assert seen == COMPARING
