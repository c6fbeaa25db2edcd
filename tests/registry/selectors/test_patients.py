"""Reading patients: within the centre, by consent, by age."""

import datetime as dt

import pytest

from registry.access import Right
from registry.models import ConsentScope, Patient, Role
from registry.selectors.course import QUANTITIES, changes, rows
from registry.selectors.patients import age_on, patients_for, with_consent
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

    assessments = list(patient.assessments.all())
    told = dict(zip([quantity.field for quantity in QUANTITIES], changes(assessments), strict=True))

    assert told["lvef_percent"] == "+9 points"
    assert told["lvesv_ml"] == "-25 %"
    assert told["nyha_class"] is None
    assert [row.cells[2] for row in rows(assessments)] == ["22", "25", "31", "34"]
    assert [row.cells[4] for row in rows(assessments)] == ["200", None, "150", None]
