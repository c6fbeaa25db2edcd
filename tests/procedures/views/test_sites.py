"""Entering sites and lead measurements."""

import pytest
from django.urls import reverse

from procedures.models import LeadMeasurement, Site
from tests import factories as make
from tests.procedures.views.filling import fill, messages_of

TYPED = {"vein": "posterolateral", "label": "PL mid", "reached": "yes", "long_axis": "mid"}


def new_site(session):
    return reverse("procedures:new_site", args=[session.pk])


def test_site_is_written_with_its_tributary(doctor, session):
    url = new_site(session)
    answer = doctor.post(url, fill(doctor.get(url), aha_segment="11", cathode="LV2", **TYPED))
    site = Site.objects.get()
    assert answer.url.endswith("#sites")
    assert (site.tributary.vein, site.aha_segment, site.cathode, site.stability) == (
        "posterolateral",
        11,
        "LV2",
        "unknown",
    )


def test_save_and_measure_goes_on_to_the_measurement(doctor, session):
    url = new_site(session)
    answer = doctor.post(url, fill(doctor.get(url), measure="1", **TYPED))
    assert answer.url == reverse("procedures:new_measurement", args=[session.pk, Site.objects.get().pk])


def test_nothing_is_chosen_beforehand(doctor, session):
    form = doctor.get(new_site(session)).context["form"]
    assert not any(form[name].value() for name in ("vein", "reached", "long_axis", "stability", "aha_segment"))


def test_second_site_shares_the_tributary_and_same_form_twice_writes_once(doctor, session):
    url = new_site(session)
    first, second = fill(doctor.get(url), **TYPED), fill(doctor.get(url), **(TYPED | {"label": "PL apical"}))
    for data in (first, second, second):
        assert doctor.post(url, data).status_code == 302
    assert Site.objects.count() == 2
    assert session.tributaries.count() == 1


@pytest.mark.parametrize(
    ("typed", "message"),
    [
        ({"vein": None}, "Tributary: choose one."),
        ({"label": "  "}, "Enter the name of the site."),
        ({"reached": None}, "Was the position reached? Choose one answer."),
        ({"reached": "no"}, "Choose why the position was not reached."),
        ({"not_reached_reason": "stenosis"}, "The position was reached, so leave the reason empty."),
        ({"ordinal": "second"}, "Number: enter a whole number, such as 30."),
        ({"long_axis": None}, "Position on the long axis: choose one answer."),
    ],
)
def test_site_says_what_is_wrong(doctor, session, typed, message):
    url = new_site(session)
    answer = doctor.post(url, fill(doctor.get(url), **(TYPED | typed)))
    assert answer.status_code == 422
    assert message in messages_of(answer)
    assert not session.sites.exists()
    assert not session.tributaries.exists()


def test_position_not_reached_with_its_reason_is_normal(doctor, session):
    url = new_site(session)
    doctor.post(url, fill(doctor.get(url), **(TYPED | {"reached": "no", "not_reached_reason": "tortuosity"})))
    site = Site.objects.get()
    assert not site.reached
    assert site.not_reached_reason == "tortuosity"


def test_label_taken_is_said_and_leaves_no_tributary_behind(doctor, session):
    make.make_site(make.make_tributary(session), "PL mid")
    url = new_site(session)
    answer = doctor.post(url, fill(doctor.get(url), **(TYPED | {"vein": "lateral"})))
    assert answer.status_code == 422
    assert session.tributaries.count() == 1
    assert messages_of(answer)


def test_site_is_corrected_under_its_version(doctor, session, physician):
    site = make.make_site(make.make_tributary(session), "PL mid", long_axis="mid")
    url = reverse("procedures:site", args=[session.pk, site.pk])
    data = fill(doctor.get(url), long_axis="apical")
    assert doctor.post(url, data).status_code == 302
    conflict = doctor.post(url, data | {"long_axis": "basal"})
    assert conflict.status_code == 409
    assert [(d.yours, d.stored) for d in conflict.context["form"].conflict] == [("Basal", "Apical")]
    site.refresh_from_db()
    assert site.long_axis == "apical"


@pytest.fixture
def site(session):
    return make.make_site(make.make_tributary(session), "PL mid")


@pytest.fixture
def measure(doctor, session, site):
    url = reverse("procedures:new_measurement", args=[session.pk, site.pk])
    return lambda **typed: doctor.post(url, fill(doctor.get(url), **typed))


def test_measurement_takes_commas_and_leaves_the_rest_missing(measure, site):
    answer = measure(capture_threshold_v=" 1,25 ", pulse_width_ms="0.5", phrenic_none_up_to_v="10")
    stored = LeadMeasurement.objects.get()
    assert answer.status_code == 302
    assert (stored.capture_threshold_v, stored.phrenic_none_up_to_v) == (1.25, 10)
    assert stored.impedance_ohm is None
    assert stored.confirmed_unusual == []


@pytest.mark.parametrize(
    ("typed", "message"),
    [
        ({"capture_threshold_v": "1.0"}, "Pulse width: enter the one at which the threshold was measured."),
        ({"impedance_ohm": "1.234,5"}, "Impedance: enter only a number, in Ohm."),
        ({"impedance_ohm": "nan"}, "Impedance: enter only a number, in Ohm."),
        ({"impedance_ohm": "1e3"}, "Impedance: enter only a number, in Ohm."),
        ({"impedance_ohm": "-500"}, "Impedance: enter a value from 50 to 5000 Ohm, or leave it empty."),
        ({"qrs_duration_ms": "999"}, "QRS duration: enter a value from 40 to 320 ms, or leave it empty."),
        (
            {"phrenic_threshold_v": "5", "phrenic_none_up_to_v": "7"},
            "Enter either the phrenic-stimulation threshold or the voltage without stimulation, not both.",
        ),
        ({}, "Enter at least one value. Leave empty what was not measured."),
        ({"impedance_ohm": "500", "measured_at": None}, "Measured at: enter the date and time."),
    ],
)
def test_measurement_says_what_is_wrong(measure, typed, message):
    answer = measure(**typed)
    assert answer.status_code == 422
    assert message in messages_of(answer)
    assert not LeadMeasurement.objects.exists()


def test_unusual_value_is_asked_for_once(doctor, session, site, measure):
    asked = measure(impedance_ohm="150")
    assert asked.status_code == 422
    assert "Impedance 150 Ohm is unusual" in messages_of(asked)[0]
    assert not LeadMeasurement.objects.exists()
    assert 'type="checkbox" name="confirmed"' in asked.content.decode()
    url = reverse("procedures:new_measurement", args=[session.pk, site.pk])
    assert doctor.post(url, fill(asked, confirmed="on")).status_code == 302
    assert LeadMeasurement.objects.get().confirmed_unusual == ["impedance_ohm"]


def test_usual_form_has_no_box_to_confirm(doctor, session, site):
    text = doctor.get(reverse("procedures:new_measurement", args=[session.pk, site.pk])).content.decode()
    assert 'type="checkbox" name="confirmed"' not in text


def test_site_may_be_measured_again(measure, site):
    measure(impedance_ohm="500")
    measure(impedance_ohm="510")
    assert site.measurements.count() == 2


def test_site_of_another_session_is_not_found(doctor, session, physician):
    other = make.make_site(make.make_tributary(make.make_session(session.patient, by=physician)))
    assert doctor.get(reverse("procedures:site", args=[session.pk, other.pk])).status_code == 404
    assert doctor.get(reverse("procedures:new_measurement", args=[session.pk, other.pk])).status_code == 404
