"""The table of electrode pairs: shown, typed as a whole, refused in words, answered by the API."""

import pytest
from django.urls import reverse

from procedures.models import LeadMeasurement
from registry.models import Role, new_key
from tests import factories as make
from tests.procedures.views.filling import fill, messages_of


@pytest.fixture
def site(session):
    return make.make_site(make.make_tributary(session), "PL mid", cathode="LV3", anode="LV4")


def at(name, site):
    return reverse(f"procedures:{name}", args=[site.session_id, site.pk])


def cell(form, pair, part):
    """The name of an input by its label."""
    return next(f.html_name for f in form if f.label == f"{pair}, {part}")


def test_table_is_typed_at_once_and_shown_as_a_grid(doctor, site):
    page = doctor.get(at("electrode_table", site))
    form = page.context["form"]
    typed = {
        cell(form, "LV1 to LV2", "threshold"): "1.9",
        cell(form, "LV1 to LV2", "phrenic"): "> 10",
        cell(form, "LV1 to LV2", "impedance"): "880",
        cell(form, "LV3 to RV coil", "threshold"): "1.1",
        cell(form, "LV3 to RV coil", "phrenic"): "2.1",
    }
    data = fill(page, **typed)
    assert doctor.post(at("electrode_table", site), data).url == at("electrodes", site)
    first, second = LeadMeasurement.objects.order_by("cathode")
    assert (first.cathode, first.anode, first.capture_threshold_v, first.pulse_width_ms) == ("LV1", "LV2", 1.9, 0.5)
    assert (first.phrenic_threshold_v, first.phrenic_none_up_to_v, first.impedance_ohm) == (None, 10.0, 880.0)
    assert (second.anode, second.phrenic_threshold_v) == ("RV coil", 2.1)
    doctor.post(at("electrode_table", site), data)
    assert LeadMeasurement.objects.count() == 2, "the same form sent twice writes once"

    html = " ".join(doctor.get(at("electrodes", site)).content.decode().split())
    assert "2 of 2" not in html
    assert "Acceptable pairs: 1 of 2 assessed." in html
    assert "at least 5.3 ×" in html
    assert html.count(">measure<") == 4 * 6 - 4 - 2, "all pairs but the diagonal and the two that were tried"


@pytest.mark.parametrize(
    ("part", "text", "words"),
    [
        ("threshold", "much", "LV1 to LV2, threshold: enter only a number, in V"),
        ("phrenic", ">", "enter the highest voltage tested"),
        ("threshold", "44", "LV1 to LV2: "),
    ],
)
def test_wrong_cells_are_named_and_nothing_is_kept(doctor, site, part, text, words):
    page = doctor.get(at("electrode_table", site))
    form = page.context["form"]
    typed = {cell(form, "LV2 to LV1", "threshold"): "1.0", cell(form, "LV1 to LV2", part): text}
    answer = doctor.post(at("electrode_table", site), fill(page, **typed))
    assert answer.status_code == 422
    assert any(words in message for message in messages_of(answer))
    assert not LeadMeasurement.objects.exists()


def test_unusual_values_are_asked_about_once(doctor, site):
    page = doctor.get(at("electrode_table", site))
    name = cell(page.context["form"], "LV1 to LV2", "threshold")
    data = fill(page, **{name: "9"})
    answer = doctor.post(at("electrode_table", site), data)
    assert any("LV1 to LV2: Capture threshold 9 V is unusual" in message for message in messages_of(answer))
    assert not LeadMeasurement.objects.exists()
    assert doctor.post(at("electrode_table", site), data | {"confirmed": "on"}).status_code == 302
    assert LeadMeasurement.objects.get().confirmed_unusual == ["capture_threshold_v"]


def test_empty_table_is_refused(doctor, site):
    answer = doctor.post(at("electrode_table", site), fill(doctor.get(at("electrode_table", site))))
    assert answer.status_code == 422
    assert "Enter at least one value. Leave empty what was not measured." in messages_of(answer)


def test_one_measurement_with_its_electrodes_and_output(doctor, site):
    address = at("new_measurement", site) + "?cathode=LV1&anode=LV2"
    page = doctor.get(address)
    assert page.context["form"]["cathode"].value() == "LV1"
    typed = {"capture_threshold_v": "1.5", "pulse_width_ms": "0.5", "output_v": "3", "output_width_ms": "0.5"}
    assert doctor.post(address, fill(page, **typed)).status_code == 302
    assert "2.0 × the threshold measured at this pulse width" in doctor.get(at("electrodes", site)).content.decode()
    half = doctor.post(address, fill(doctor.get(address), output_v="3", anode=None))
    assert half.status_code == 422
    assert {"Enter both cathode and anode, or neither."} < set(messages_of(half))


def test_page_of_200_measurements_costs_the_same_queries(doctor, site, django_assert_max_num_queries):
    for n in range(200):
        LeadMeasurement.objects.create(
            site=site, measured_at=make.START, capture_threshold_v=1.0, pulse_width_ms=round(0.1 + n / 500, 3)
        )
    with django_assert_max_num_queries(14):
        assert doctor.get(at("electrodes", site)).status_code == 200


@pytest.mark.parametrize("role", [*Role.values, None])
def test_another_centre_finds_nothing(client, site, role):
    client.force_login(make.make_user(role))
    assert {client.get(at(name, site)).status_code for name in ("electrodes", "electrode_table")} == {404}
    assert client.get(f"/api/v1/sites/{site.pk}/electrodes").status_code == 404


def test_api_takes_electrodes_and_answers_the_pairs(doctor, site):
    key = new_key()
    body = {"site": str(site.pk), "measured_at": "2024-03-02T09:10:00Z", "cathode": "LV1", "anode": "LV2"}
    body |= {"capture_threshold_v": 1.8, "pulse_width_ms": 0.5, "impedance_ohm": 600, "phrenic_threshold_v": 3.6}
    answer = doctor.put(f"/api/v1/lead-measurements/{key}", body, content_type="application/json")
    assert answer.status_code == 201, answer.content
    more = body | {"capture_threshold_v": 1.4, "pulse_width_ms": 1.0, "phrenic_threshold_v": None}
    doctor.put(f"/api/v1/lead-measurements/{new_key()}", more, content_type="application/json")
    told = doctor.get(f"/api/v1/sites/{site.pk}/electrodes").json()
    (pair,) = told["pairs"]
    assert (pair["cathode"], pair["anode"], pair["own"], pair["acceptable"]) == ("LV1", "LV2", False, True)
    assert pair["rheobase_v"] == pytest.approx(1.0)
    assert pair["chronaxie_ms"] == pytest.approx(0.4)
    assert pair["phrenic_over_capture"] == pytest.approx(2.0)
    same = doctor.put(
        f"/api/v1/lead-measurements/{new_key()}", body | {"anode": "LV1"}, content_type="application/json"
    )
    assert same.status_code == 422
    assert "two different electrodes" in same.content.decode()


def test_curve_of_a_pair_is_drawn_with_what_was_measured_and_the_programmed_output(doctor, site):
    # On the curve of rheobase 0.5 V and chronaxie 0.4 ms.
    for width, volts in ((0.2, 1.5), (0.4, 1.0), (1.0, 0.7)):
        make.make_measurement(site, pulse_width_ms=width, capture_threshold_v=volts)
    make.make_measurement(site, capture_threshold_v=0.9, output_v=2.0, output_width_ms=0.5)
    html = doctor.get(at("electrodes", site)).content.decode()
    where = at("electrode_curve", site) + "?cathode=LV3&amp;anode=LV4"
    assert f'data-figure-url="{where}"' in html
    drawn = doctor.get(where.replace("&amp;", "&")).json()
    curve, twice, measured, output = drawn["data"]
    assert measured["x"] == [0.2, 0.4, 0.5, 1.0]
    assert measured["y"] == [1.5, 1.0, 0.9, 0.7]
    assert curve["y"] == pytest.approx([0.5 * (1 + 0.4 / width) for width in curve["x"]], abs=0.001)
    assert twice["y"] == pytest.approx([2 * volts for volts in curve["y"]], abs=0.001)
    assert (output["x"], output["y"]) == ([0.5], [2.0])


def test_one_pulse_width_draws_no_curve_and_an_untried_pair_says_so(doctor, site):
    make.make_measurement(site, capture_threshold_v=0.9)
    assert "data-figure-url" not in doctor.get(at("electrodes", site)).content.decode()
    assert doctor.get(at("electrode_curve", site), {"cathode": "LV3", "anode": "LV4"}).json()["data"] == []
    assert doctor.get(at("electrode_curve", site)).json()["message"] == "This pair was not tested."
