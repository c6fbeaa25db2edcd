"""The makers of test records stand in for the whole line; they are held to it here."""

import pytest

from procedures.services.responses import refresh_responses
from registry.trail.verify import faults
from tests import factories as make

pytestmark = pytest.mark.django_db


def test_makers_alone_make_what_they_need():
    site = make.make_site()
    make.make_measurement(site)
    baseline = make.make_epoch(site.session, None, start_s=0)
    tested = make.make_epoch(site.session, site, start_s=60)
    make.enter(baseline, mean=900)
    make.enter(tested, mean=990)
    make.end_session(site.session)
    make.make_assessment(site.session.patient, lvesv_ml=150, lvedv_ml=200)
    make.make_consent(site.session.patient)
    make.make_device(site.session.patient)
    make.make_adverse_event(site.session.patient)

    refresh_responses(site.session_id)

    response = site.responses.get(metric="dpdt_max_mmhg_per_s")
    assert response.unpaired_change_percent == pytest.approx(10, abs=0.5)
    assert list(faults()) == []
