"""Calibrating a recording, from the entry to the numbers."""

import pytest

from procedures.models import Calibration, Epoch, RunState
from procedures.services.analysis import start_analysis
from procedures.services.calibrations import ReferenceStroke, WashIn, put_calibration, remove_calibration
from procedures.services.recordings import mark_epoch, store_recording
from procedures.services.sessions import sign_session
from registry.errors import AccessDenied, Conflict, RuleBroken
from registry.models import Change, Role, new_key
from registry.trail.verify import faults
from tests.factories import START, end_session, make_session, make_user, writer_of
from tests.signals import Uploaded, conductance_csv, pressure_volume_csv

pytestmark = pytest.mark.django_db(transaction=True)
CONSTANTS = {"electrode_spacing_mm": 10.0, "blood_resistivity_ohm_cm": 150.0}


@pytest.fixture
def store(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path

    def stored(content):
        session = make_session()
        by = writer_of(session.centre)
        recording = store_recording(
            by=by, session=session, upload=Uploaded(content), original_name="a.csv", started_at=START
        )
        mark_epoch(by=by, recording=recording, site=None, start_s=2, end_s=18)
        return recording, by

    return stored


@pytest.fixture
def conductances(store):
    """Forty seconds made with alpha 0.8 and a parallel volume of 60 mL; baseline from 2 to 18 s; analysed."""
    recording, by = store(conductance_csv(40))
    start_analysis(by=by, recording=recording)
    return recording, by


def mean(recording, key="sv_ml"):
    return Epoch.objects.get(recording=recording).metrics.filter(key=key).values_list("mean", flat=True).first()


def test_conductances_get_volumes_as_soon_as_they_are_calibrated(conductances):
    recording, by = conductances
    assert mean(recording) is None
    put_calibration(by=by, recording=recording, alpha=0.8, parallel_volume_ml=60.0, **CONSTANTS)
    run = recording.runs.first()
    assert run.state == RunState.DONE
    assert mean(recording) == pytest.approx(60, rel=0.01)
    assert mean(recording, "edv_ml") == pytest.approx(180, rel=0.01)
    assert [(c["alpha"], c["parallel_ml"], c["valid_from_s"]) for c in run.settings["calibrations"]] == [(0.8, 60, 0)]
    assert Epoch.objects.get(recording=recording).beats.loop["volume_ml"]


def test_alpha_and_parallel_volume_are_worked_out_of_the_recording(conductances):
    recording, by = conductances
    written = put_calibration(
        by=by,
        recording=recording,
        alpha=ReferenceStroke(60.0, 2, 18),
        parallel_volume_ml=WashIn(16, 33),
        **CONSTANTS,
    )
    assert written.alpha == pytest.approx(0.8, rel=0.01)
    assert written.parallel_volume_ml == pytest.approx(60, abs=2)
    assert (written.alpha_origin, written.parallel_origin) == ("reference", "wash_in")
    assert 0 <= written.alpha_standard_error < 0.02
    assert 0 <= written.parallel_standard_error_ml < 3
    assert mean(recording, "edv_ml") == pytest.approx(180, rel=0.02)


@pytest.mark.parametrize(
    ("values", "field", "message"),
    [
        ({"alpha": ReferenceStroke(250.0, 2, 18)}, "reference_start_s", "check both stroke volumes"),
        ({"alpha": ReferenceStroke(60.0, 2, 3)}, "reference_start_s", "usable beats"),
        ({"alpha": ReferenceStroke(60.0, 18, 2)}, "reference_start_s", "end after it starts"),
        ({"alpha": ReferenceStroke(60.0, 2, 99)}, "reference_start_s", "outside the recording"),
        ({"parallel_volume_ml": WashIn(2, 18)}, "wash_in_start_s", "."),
        ({"alpha": 3.0}, "alpha", "0.2 to 2"),
        ({"parallel_volume_ml": -5.0}, "parallel_volume_ml", "0 to 1000"),
        ({"electrode_spacing_mm": None}, "electrode_spacing_mm", "conductances"),
        ({"excluded_segments": [1, 2, 3]}, "excluded_segments", "At least 3"),
        ({"excluded_segments": [7]}, "excluded_segments", "no segment 7"),
        ({"valid_from_s": 40.0}, "valid_from_s", "0.0 to 40.0"),
    ],
)
def test_what_cannot_be_is_refused_in_words_and_nothing_is_written(conductances, values, field, message):
    recording, by = conductances
    with pytest.raises(RuleBroken) as refused:
        put_calibration(by=by, recording=recording, **(CONSTANTS | values))
    assert message in refused.value.fields[field][0]
    assert not Calibration.objects.exists()
    assert recording.runs.count() == 1


def test_each_calibration_holds_from_its_time_and_none_before(conductances):
    recording, by = conductances
    put_calibration(by=by, recording=recording, valid_from_s=19.0, alpha=0.8, **CONSTANTS)
    assert mean(recording) is None
    put_calibration(by=by, recording=recording, alpha=0.4, **CONSTANTS)
    assert mean(recording) == pytest.approx(120, rel=0.01)
    with pytest.raises(RuleBroken) as refused:
        put_calibration(by=by, recording=recording, valid_from_s=19.0, **CONSTANTS)
    assert refused.value.fields["valid_from_s"] == [
        "Another calibration of this recording starts at this time. Change one of the two."
    ]


def test_segments_left_out_are_those_of_the_whole_recording(conductances):
    recording, by = conductances
    first = put_calibration(by=by, recording=recording, **CONSTANTS)
    whole = mean(recording)
    put_calibration(by=by, recording=recording, valid_from_s=19.0, excluded_segments=[5], **CONSTANTS)
    first.refresh_from_db()
    assert first.excluded_segments == [5]
    assert mean(recording) == pytest.approx(0.81 * whole, rel=0.01)


def test_constants_worked_out_are_worked_out_again_when_a_segment_is_left_out(conductances):
    recording, by = conductances
    sources = {"alpha": ReferenceStroke(60.0, 2, 18), "parallel_volume_ml": WashIn(16, 33)}
    first = put_calibration(by=by, recording=recording, **sources, **CONSTANTS)
    put_calibration(by=by, recording=recording, valid_from_s=19.0, excluded_segments=[5], **CONSTANTS)
    before, first = first, Calibration.objects.get(pk=first.pk)
    # The fifth segment holds 0.19 of the conductance.
    assert first.alpha == pytest.approx(0.81 * before.alpha, rel=1e-3)
    assert first.parallel_volume_ml == pytest.approx(0.81 * before.parallel_volume_ml, rel=1e-2)
    assert mean(recording) == pytest.approx(60, rel=0.01)


def test_volumes_of_the_file_are_corrected(store):
    recording, by = store(pressure_volume_csv(40))
    put_calibration(by=by, recording=recording, alpha=1.2, parallel_volume_ml=30.0)
    assert mean(recording) == pytest.approx(60 / 1.2, rel=0.01)
    assert mean(recording, "edv_ml") == pytest.approx((180 - 30) / 1.2, rel=0.01)


def test_same_entry_again_writes_and_analyses_once(conductances):
    recording, by = conductances
    key = new_key()
    for _ in range(2):
        put_calibration(by=by, recording=recording, alpha=0.8, key=key, **CONSTANTS)
    assert Calibration.objects.count() == 1
    assert recording.runs.count() == 2
    with pytest.raises(Conflict):
        put_calibration(by=by, recording=recording, alpha=0.9, key=key, version=7, **CONSTANTS)
    put_calibration(by=by, recording=recording, alpha=0.9, key=key, version=1, **CONSTANTS)
    assert Calibration.objects.get().alpha == 0.9
    assert recording.runs.count() == 3


def test_removed_calibration_leaves_the_numbers_and_stays_in_the_trail(conductances):
    recording, by = conductances
    written = put_calibration(by=by, recording=recording, alpha=0.8, **CONSTANTS)
    remove_calibration(by=by, calibration=written)
    assert mean(recording) is None
    acts = Change.objects.filter(record_type="procedures.calibration").order_by("sequence")
    assert list(acts.values_list("action", flat=True)) == ["created", "deleted"]
    assert list(faults()) == []


def test_signed_session_needs_a_reason_and_keeps_an_amendment(conductances):
    recording, by = conductances
    written = put_calibration(by=by, recording=recording, **CONSTANTS)
    end_session(recording.session)
    sign_session(by=by, session=recording.session)
    with pytest.raises(RuleBroken, match="signed"):
        put_calibration(by=by, recording=recording, valid_from_s=9.0, **CONSTANTS)
    with pytest.raises(RuleBroken, match="signed"):
        remove_calibration(by=by, calibration=written)
    assert Calibration.objects.count() == 1
    put_calibration(by=by, recording=recording, valid_from_s=9.0, reason="saline result came late", **CONSTANTS)
    assert "saline result came late" in recording.session.amendments.values_list("reason", flat=True)


@pytest.mark.parametrize("role", [Role.RESEARCHER, Role.ADMINISTRATOR])
def test_role_without_the_right_calibrates_nothing(conductances, role):
    recording, _ = conductances
    with pytest.raises(AccessDenied):
        put_calibration(by=make_user(role, recording.session.centre), recording=recording, **CONSTANTS)


def test_member_of_another_centre_calibrates_nothing(conductances):
    recording, by = conductances
    stranger = make_user(Role.PHYSICIAN)
    with pytest.raises(AccessDenied):
        put_calibration(by=stranger, recording=recording, **CONSTANTS)
    written = put_calibration(by=by, recording=recording, **CONSTANTS)
    with pytest.raises(AccessDenied):
        remove_calibration(by=stranger, calibration=written)
