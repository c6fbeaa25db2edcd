"""What the database refuses in a calibration, whoever writes it."""

import pytest
from django.db import IntegrityError, transaction

from procedures.models import Calibration, Recording
from tests.factories import START, make_session, writer_of

pytestmark = pytest.mark.django_db


@pytest.fixture
def recording():
    session = make_session()
    return Recording.objects.create(
        session=session, sha256="0" * 64, original_name="a.csv", format="CSV", size_bytes=1, duration_s=60.0,
        started_at=START, uploaded_by=writer_of(session.centre),
    )  # fmt: skip


@pytest.fixture
def calibration(recording):
    return Calibration.objects.create(
        recording=recording, valid_from_s=0.0, electrode_spacing_mm=10, blood_resistivity_ohm_cm=150
    )


@pytest.mark.parametrize(
    "values",
    [
        {"alpha": 0.19},
        {"alpha": 2.01},
        {"parallel_volume_ml": -0.1},
        {"parallel_volume_ml": 1001},
        {"electrode_spacing_mm": 1.9},
        {"electrode_spacing_mm": 31},
        {"blood_resistivity_ohm_cm": 49},
        {"blood_resistivity_ohm_cm": 401},
        {"electrode_spacing_mm": None},
        {"alpha_origin": "guessed"},
        {"parallel_origin": "guessed"},
        {"alpha_origin": "reference"},
        {"reference_sv_ml": 60, "reference_start_s": 1, "reference_end_s": 9},
        {"alpha_origin": "reference", "reference_sv_ml": 60, "reference_start_s": 9, "reference_end_s": 1},
        {"alpha_origin": "reference", "reference_sv_ml": 1, "reference_start_s": 1, "reference_end_s": 9},
        {"alpha_standard_error": -0.1},
        {"parallel_origin": "wash_in"},
        {"parallel_origin": "wash_in", "wash_in_start_s": 1, "wash_in_end_s": 9},
        {"wash_in_start_s": 1, "wash_in_end_s": 9},
        {"parallel_origin": "wash_in", "wash_in_start_s": 9, "wash_in_end_s": 1, "parallel_standard_error_ml": 1},
    ],
)
def test_contradiction_or_value_out_of_range_refused(calibration, values):
    with pytest.raises(IntegrityError), transaction.atomic():
        Calibration.objects.filter(pk=calibration.pk).update(**values)


@pytest.mark.parametrize(
    "values",
    [
        {"alpha": 0.2, "parallel_volume_ml": 1000},
        {"electrode_spacing_mm": None, "blood_resistivity_ohm_cm": None},
        {"alpha_origin": "reference", "reference_sv_ml": 60, "reference_start_s": 1, "reference_end_s": 9},
        {"parallel_origin": "wash_in", "wash_in_start_s": 1, "wash_in_end_s": 9, "parallel_standard_error_ml": 1.5},
    ],
)
def test_whole_calibration_accepted(calibration, values):
    assert Calibration.objects.filter(pk=calibration.pk).update(**values) == 1


def test_two_calibrations_of_one_moment_refused(calibration):
    with pytest.raises(IntegrityError), transaction.atomic():
        Calibration.objects.create(recording=calibration.recording, valid_from_s=0.0)


def test_engine_gets_centimetres_and_the_segments_left_out(calibration):
    calibration.excluded_segments = [4, 5]
    constants = calibration.constants()
    assert (constants.spacing_cm, constants.resistivity_ohm_cm, constants.excluded) == (1.0, 150, (4, 5))
