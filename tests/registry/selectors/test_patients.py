"""Reading patients: within the centre, by consent, by age."""

import datetime as dt

import pytest

from registry.access import Right
from registry.models import ConsentScope, Patient, Role
from registry.selectors.course import lines
from registry.selectors.patients import age_on, consents_of, patients_for, with_consent
from tests import factories as make

pytestmark = pytest.mark.django_db
GIVEN, WITHDRAWN = dt.date(2024, 1, 10), dt.date(2024, 5, 1)


@pytest.mark.parametrize(
    ("day", "stands"),
    [
        (GIVEN - dt.timedelta(days=1), False),
        (GIVEN, True),
        (WITHDRAWN - dt.timedelta(days=1), True),
        (WITHDRAWN, False),
    ],
)
def test_a_consent_stands_from_its_day_until_the_day_before_its_withdrawal(day, stands):
    make.make_consent(make.make_patient(), given_on=GIVEN, withdrawn_on=WITHDRAWN)

    assert with_consent(Patient.objects.all(), ConsentScope.RESEARCH, day).exists() is stands
    assert not with_consent(Patient.objects.all(), ConsentScope.REGISTRY, day).exists()


def test_a_withdrawal_ends_every_consent_given_by_its_day_until_one_is_given_anew():
    patient = make.make_patient()
    make.make_consent(patient, given_on=GIVEN, withdrawn_on=WITHDRAWN)
    make.make_consent(patient, given_on=GIVEN + dt.timedelta(days=9))  # a second sheet, never marked
    stands = [
        with_consent(Patient.objects.all(), ConsentScope.RESEARCH, WITHDRAWN + dt.timedelta(days=days)).exists()
        for days in (-1, 0, 30)
    ]
    assert stands == [True, False, False]
    assert [one.ended_on for one in consents_of(patient)] == [WITHDRAWN, WITHDRAWN]

    make.make_consent(patient, given_on=WITHDRAWN + dt.timedelta(days=20))
    anew = WITHDRAWN + dt.timedelta(days=20)
    assert with_consent(Patient.objects.all(), ConsentScope.RESEARCH, anew).exists()
    assert consents_of(patient).last().ended_on is None


@pytest.mark.parametrize(
    ("born", "day", "age"),
    [
        ("1956-05-04", dt.date(2024, 5, 3), 67),
        ("1956-05-04", dt.date(2024, 5, 4), 68),
        ("1956-02-29", dt.date(2023, 2, 28), 66),
        ("1956-02-29", dt.date(2023, 3, 1), 67),
        ("2024-01-01", dt.date(2024, 1, 1), 0),
    ],
)
def test_age_is_in_completed_years(born, day, age):
    assert age_on(born, day) == age


def test_patients_are_those_of_the_centres_where_the_right_is_held():
    ours = make.make_patient()
    make.make_patient()
    user = make.make_user(Role.RESEARCHER, ours.centre)

    assert list(patients_for(user, Right.SEE_AUDIT)) == [ours]
    assert not patients_for(user, Right.SEE_IDENTITY).exists()


def test_the_course_compares_the_last_before_with_the_latest_after():
    patient = make.make_patient()
    for kind, day, values in (
        ("before", dt.date(2024, 1, 1), {"lvef_percent": 22, "lvesv_ml": 200}),
        ("before", dt.date(2024, 2, 1), {"lvef_percent": 25}),
        ("follow_up", dt.date(2024, 6, 1), {"lvef_percent": 31, "lvesv_ml": 150, "nyha_class": 2}),
        ("follow_up", dt.date(2024, 9, 1), {"lvef_percent": 34.4}),
    ):
        make.make_assessment(patient, kind=kind, assessed_on=day, **values)

    told = {line.label: line for line in lines(patient, list(patient.assessments.all()))}

    assert told["LVEF"].change == "+9 points"
    assert told["LVESV"].change == "-25 %"
    assert told["NYHA class"].change is None
    assert told["LVEF"].cells == ["22", "25", "31", "34"]
    assert told["LVESV"].cells == ["200", None, "150", None]
    assert told["Medicines"].empty


def course_of(patient):
    return {line.label: line.cells for line in lines(patient, list(patient.assessments.all()))}


def test_the_course_works_out_filtration_and_indexed_volume():
    # 1.0 mg/dL at 67 years: 142 · (1.0/0.7)^-1.2 · 0.9938^67 · 1.012 = 61.7 (CKD-EPI 2021, female).
    patient = make.make_patient(sex="female", birth_date=dt.date(1956, 5, 4))
    make.make_assessment(patient, creatinine_umol_per_l=88.4, lvesv_ml=181.8, weight_kg=70, height_cm=170)
    told = course_of(patient)

    assert told["eGFR, CKD-EPI 2021"] == ["62 (G2)"]
    assert told["LVESV index"] == ["100"]


def test_the_course_says_why_filtration_cannot_be_worked_out():
    patient = make.make_patient(sex="unknown")
    make.make_assessment(patient, creatinine_umol_per_l=88.4)

    assert course_of(patient)["eGFR, CKD-EPI 2021"] == ["needs the sex"]


def test_a_quality_of_life_change_is_told_for_one_instrument_only():
    patient = make.make_patient()
    asked = {"quality_of_life_instrument": "mlhfq", "quality_of_life_score": 50}
    make.make_assessment(patient, **asked)
    make.make_assessment(patient, kind="follow_up", assessed_on=make.DAY, **asked | {"quality_of_life_score": 30})
    change = {line.label: line.change for line in lines(patient, list(patient.assessments.all()))}
    assert change["Quality of life"] == "-20 (lower is better)"

    make.make_assessment(
        patient,
        kind="follow_up",
        assessed_on=make.DAY + dt.timedelta(days=1),
        quality_of_life_instrument="kccq",
        quality_of_life_score=70,
    )
    change = {line.label: line.change for line in lines(patient, list(patient.assessments.all()))}
    assert change["Quality of life"] is None
