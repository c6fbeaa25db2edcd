"""A summary of errors lists the fields in the order of the page, so that a person corrects it from top to bottom."""

from __future__ import annotations

import re

import pytest
from django.urls import reverse

from tests import factories as make


@pytest.fixture
def addresses(session) -> dict[str, str]:
    site = make.make_site(make.make_tributary(session), "PL mid")
    return {
        "new session": reverse("procedures:new_session"),
        "details": reverse("procedures:session_details", args=[session.pk]),
        "site": reverse("procedures:new_site", args=[session.pk]),
        "measurement": reverse("procedures:new_measurement", args=[session.pk, site.pk]),
        "epoch": reverse("procedures:new_epoch", args=[session.pk]),
        "decision": reverse("procedures:decision", args=[session.pk]),
        "ecg": reverse("procedures:new_ecg", args=[session.pk]),
        "interval": reverse("procedures:new_interval", args=[session.pk]),
        "electrodes": reverse("procedures:electrode_table", args=[session.pk, site.pk]),
        "part": reverse("procedures:new_part", args=[session.pk]),
    }


PAGES = ["new session", "details", "site", "measurement", "epoch", "decision", "ecg", "interval", "electrodes", "part"]


@pytest.mark.parametrize("name", PAGES)
def test_fields_stand_in_the_order_of_their_messages(doctor, addresses, name):
    answer = doctor.get(addresses[name])
    html, form = answer.content.decode(), answer.context["form"]
    places = [re.search(rf'id="{field.auto_id}(_0)?"', html) for field in form.visible_fields()]
    assert len(places) >= 2
    assert all(places)
    assert [place.start() for place in places] == sorted(place.start() for place in places)
