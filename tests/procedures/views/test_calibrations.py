"""The form of a calibration, the recording's page with it, and the loops of its epochs."""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from procedures.models import Calibration
from procedures.services.analysis import start_analysis
from procedures.services.calibrations import put_calibration
from procedures.services.recordings import mark_epoch, store_recording
from registry.models import Role
from tests import factories as make
from tests.procedures.views.filling import fill, messages_of
from tests.signals import Uploaded, conductance_csv, pressure_volume_csv

pytestmark = pytest.mark.django_db(transaction=True)
CONDUCTANCES, VOLUMES = conductance_csv(40), pressure_volume_csv(40)
TYPED = {"electrode_spacing_mm": "10", "blood_resistivity_ohm_cm": "150"}


@pytest.fixture
def store(settings, tmp_path, session, physician):
    settings.MEDIA_ROOT = tmp_path

    def stored(content, name="a.csv"):
        return store_recording(
            by=physician,
            session=session,
            upload=Uploaded(content),
            original_name=name,
            started_at=session.started_at,
        )

    return stored


@pytest.fixture
def recording(store, physician):
    recording = store(CONDUCTANCES)
    mark_epoch(by=physician, recording=recording, site=None, start_s=2, end_s=18)
    return recording


def at(name, recording, *more):
    return reverse(f"procedures:{name}", args=[recording.pk, *more])


def save(client, recording, calibration=None, **typed):
    url = at("calibration", recording, calibration.pk) if calibration else at("new_calibration", recording)
    return client.post(url, fill(client.get(url), **typed))


def test_typed_calibration_is_stored_and_shown(doctor, recording):
    assert "not calibrated" in doctor.get(at("recording", recording)).content.decode()
    answer = save(doctor, recording, **TYPED, alpha="0,8", parallel_volume_ml="60")
    assert answer.url == at("recording", recording) + "#calibration"
    stored = Calibration.objects.get()
    assert (stored.alpha, stored.parallel_volume_ml, stored.electrode_spacing_mm) == (0.8, 60, 10)
    page = doctor.get(at("recording", recording)).content.decode()
    assert "0.800" in page
    assert "not calibrated" not in page
    assert "alpha 0.8, parallel volume 60.0 mL" in page


def test_constants_are_worked_out_and_shown_with_their_error(doctor, recording):
    source = {"reference_sv_ml": "60", "reference_start_s": "2", "reference_end_s": "18"}
    save(doctor, recording, **TYPED, **source, wash_in_start_s="16", wash_in_end_s="33")
    page = doctor.get(at("recording", recording)).content.decode()
    assert "from a reference stroke volume" in page
    assert "from a saline wash-in" in page
    assert "±" in page
    stored = Calibration.objects.get()
    again = doctor.get(at("calibration", recording, stored.pk)).context["form"]
    assert again["reference_sv_ml"].value() == "60"
    assert again["alpha"].value() is None


@pytest.mark.parametrize(
    ("typed", "message"),
    [
        ({"alpha": "0.8", "reference_sv_ml": "60"}, "Alpha: enter it or have it calculated, not both."),
        ({"reference_sv_ml": "60"}, "Steady stretch, from: needed for the calculation."),
        ({"wash_in_start_s": "2"}, "Wash-in, to: needed for the calculation."),
        ({"alpha": "much"}, "Alpha: enter only a number"),
        ({"alpha": "5"}, "Alpha: enter a value from 0.2 to 2"),
        ({"parallel_volume_ml": "2000"}, "Parallel volume: enter a value from 0 to 1000 mL"),
        ({"valid_from_s": "99"}, "Enter seconds from 0.0 to 40.0."),
        ({"electrode_spacing_mm": None}, "Electrode spacing: enter a number in mm."),
        ({"excluded_segments": ["1", "2", "3"]}, "At least 3 segments must remain."),
        (
            {"reference_sv_ml": "290", "reference_start_s": "2", "reference_end_s": "18"},
            "check both stroke volumes",
        ),
    ],
)
def test_form_says_what_is_wrong(doctor, recording, typed, message):
    answer = save(doctor, recording, **(TYPED | typed))
    assert answer.status_code == 422
    assert any(message in text for text in messages_of(answer))
    assert not Calibration.objects.exists()


def test_calibration_is_changed_and_removed(doctor, recording):
    save(doctor, recording, **TYPED, alpha="0.8")
    stored = Calibration.objects.get()
    save(doctor, recording, stored, alpha="0.9", excluded_segments=["5"])
    stored.refresh_from_db()
    assert (stored.alpha, stored.excluded_segments, stored.version) == (0.9, [5], 2)
    doctor.post(at("remove_calibration", recording, stored.pk))
    assert not Calibration.objects.exists()


def test_trace_says_that_it_shows_volumes_before_their_correction(doctor, store, physician):
    recording = store(VOLUMES)
    assert [t["name"] for t in doctor.get(at("signals", recording)).json()["data"]] == ["Pressure", "Volume"]
    put_calibration(by=physician, recording=recording, alpha=0.9)
    names = [t["name"] for t in doctor.get(at("signals", recording)).json()["data"]]
    assert names == ["Pressure", "Volume, uncorrected"]


def test_recording_of_volumes_is_not_asked_for_conductance_constants(doctor, store):
    form = doctor.get(at("new_calibration", store(VOLUMES))).context["form"]
    assert not {"electrode_spacing_mm", "excluded_segments"} & set(form.fields)


def test_next_recording_of_the_session_begins_with_the_last_constants_and_says_so(doctor, recording, store):
    save(doctor, recording, **TYPED, alpha="0.8", parallel_volume_ml="60")
    page = doctor.get(at("new_calibration", store(conductance_csv(30), "later.csv")))
    assert page.context["form"]["alpha"].value() == "0.8"
    assert "Copied from the calibration of a.csv" in page.content.decode()


@pytest.mark.parametrize("role", [Role.RESEARCHER, Role.ADMINISTRATOR])
def test_role_without_the_right_cannot_calibrate(client, centre, recording, physician, role):
    stored = put_calibration(by=physician, recording=recording, electrode_spacing_mm=10, blood_resistivity_ohm_cm=150)
    client.force_login(make.make_user(role, centre))
    assert client.get(at("new_calibration", recording)).status_code in (403, 404)
    assert client.post(at("remove_calibration", recording, stored.pk)).status_code in (403, 404)
    assert Calibration.objects.count() == 1


def test_another_centre_finds_neither_calibration_nor_loops(client, recording, physician):
    stored = put_calibration(by=physician, recording=recording, electrode_spacing_mm=10, blood_resistivity_ohm_cm=150)
    client.force_login(make.make_user(Role.PHYSICIAN))
    assert client.get(at("new_calibration", recording)).status_code == 404
    assert client.get(at("calibration", recording, stored.pk)).status_code == 404
    assert client.post(at("remove_calibration", recording, stored.pk)).status_code == 404
    assert client.get(at("recording_loops", recording)).status_code == 404


def test_calibration_of_another_recording_is_not_found(doctor, recording, store, physician):
    stored = put_calibration(by=physician, recording=recording, electrode_spacing_mm=10, blood_resistivity_ohm_cm=150)
    other = store(VOLUMES, "other.csv")
    assert doctor.get(at("calibration", other, stored.pk)).status_code == 404
    assert doctor.post(at("remove_calibration", other, stored.pk)).status_code == 404
    assert Calibration.objects.count() == 1


@pytest.fixture
def measured(store, session, physician):
    """A recording of volumes with a baseline and an epoch of a site, analysed."""
    recording = store(VOLUMES)
    site = make.make_site(make.make_tributary(session), "PL mid")
    mark_epoch(by=physician, recording=recording, site=None, start_s=2, end_s=18)
    mark_epoch(by=physician, recording=recording, site=site, start_s=20, end_s=38)
    start_analysis(by=physician, recording=recording)
    return recording


def test_loops_are_those_of_the_epochs_in_view(doctor, measured):
    both = doctor.get(at("recording_loops", measured)).json()
    assert [trace["name"] for trace in both["data"]] == ["baseline", "PL mid"]
    one = doctor.get(at("recording_loops", measured), {"start": 0, "end": 19}).json()
    assert [trace["name"] for trace in one["data"]] == ["baseline"]
    assert max(one["data"][0]["x"]) == pytest.approx(180, abs=2)
    none = doctor.get(at("recording_loops", measured), {"start": 18.2, "end": 19}).json()
    assert none == {"data": [], "message": "There is no analysed epoch with volumes in this stretch."}
    assert doctor.get(at("recording_loops", measured), {"start": "soon"}).status_code == 422


def test_page_tells_the_numbers_of_each_epoch(doctor, measured):
    rows = doctor.get(at("recording", measured)).context["numbers"]
    assert [row.epoch.label for row in rows] == ["baseline", "PL mid"]
    assert all(row.used > 10 for row in rows)
    means = {metric.key: mean for metric, mean in rows[0].means}
    assert means["sv_ml"] == pytest.approx(60, rel=0.01)
    assert "settling" in rows[0].refused


@pytest.mark.parametrize("name", ["recording", "beats", "recording_loops"])
def test_queries_do_not_grow_with_epochs_beats_or_calibrations(doctor, measured, physician, session, name):
    def counted():
        with CaptureQueriesContext(connection) as captured:
            assert doctor.get(at(name, measured), {"start": 0, "end": 40}).status_code == 200
        return len(captured)

    counted()
    before = counted()
    for start_s in (0.0, 10.0, 20.0):
        put_calibration(by=physician, recording=measured, valid_from_s=start_s)
    site = make.make_site(make.make_tributary(session, "lateral"), "ANT")
    mark_epoch(by=physician, recording=measured, site=site, start_s=38, end_s=40)
    start_analysis(by=physician, recording=measured)
    assert counted() == before
