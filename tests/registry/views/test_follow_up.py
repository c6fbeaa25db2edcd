"""The work queue and the schedule of a centre."""

import datetime as dt

import pytest
from django.urls import reverse
from django.utils import timezone

from registry.access import Right
from registry.clinical.schedule import DEFAULT, Visit
from registry.errors import AccessDenied, RuleBroken
from registry.forms.follow_up import ScheduleForms
from registry.models import Change, Patient, PatientIdentity, PlannedVisit, Role
from registry.models.encrypted import digest
from registry.selectors.follow_up import work_queue
from registry.services.patients import describe_patient, record_death
from registry.services.schedule import set_schedule
from registry.views import follow_up
from tests import factories as make

pytestmark = pytest.mark.django_db
QUEUE = reverse("registry:follow_up")


@pytest.fixture
def centre(db):
    return make.make_centre()


@pytest.fixture
def lead(client, centre):
    user = make.make_user(Role.CLINICAL_LEAD, centre)
    client.force_login(user)
    return user


def implanted(centre, days_ago, *, by=None, seen_days_ago=None, **values):
    """Return a patient with an LV lead implanted so many days ago, and perhaps a follow-up since."""
    now = timezone.now()
    patient = make.make_patient(centre, by=by, **values)
    session = make.make_session(patient, by=by, started_at=now - dt.timedelta(days=days_ago))
    make.end_session(session, by=by)
    if seen_days_ago is not None:
        seen = timezone.localdate() - dt.timedelta(days=seen_days_ago)
        make.make_assessment(patient, by=by, kind="follow_up", assessed_on=seen)
    return patient


def states(user, **options):
    keys = {one.patient_id: one for one in work_queue(user, **options)}
    codes = dict(Patient.objects.values_list("pk", "code"))
    return {codes[key]: (one.visit.label, one.visit.state.value) for key, one in keys.items()}


def test_who_is_due_and_overdue_longest_first(lead, centre):
    due = implanted(centre, 30, seen_days_ago=28)
    overdue = implanted(centre, 100 - 12, seen_days_ago=86)
    lost = implanted(centre, 500)
    implanted(centre, 30, seen_days_ago=5)
    implanted(make.make_centre(), 500)
    make.make_patient(centre)

    found = work_queue(lead)

    assert [one.patient_id for one in found] == [lost.pk, overdue.pk, due.pk]
    assert states(lead) == {
        lost.code: ("yearly", "overdue"),
        overdue.code: ("6 weeks", "overdue"),
        due.code: ("6 weeks", "due"),
    }


def test_a_later_implant_starts_the_schedule_again(lead, centre):
    patient = implanted(centre, 400, seen_days_ago=20)
    make.end_session(make.make_session(patient, started_at=timezone.now() - dt.timedelta(days=2)))

    assert states(lead) == {patient.code: ("discharge", "due")}


def test_who_died_or_is_no_longer_followed_is_not_listed(lead, centre):
    today = timezone.localdate()
    dead, gone = implanted(centre, 500), implanted(centre, 500)
    record_death(by=lead, patient=dead, died_on=today)
    describe_patient(by=lead, patient=gone, follow_up_ended_on=today, follow_up_ended_because="elsewhere")

    assert work_queue(lead) == []


def test_the_queue_is_bounded_filtered_and_costs_the_same_for_many(
    client, lead, centre, monkeypatch, django_assert_max_num_queries
):
    monkeypatch.setattr(follow_up, "PAGE_SIZE", 2)
    people = [implanted(centre, 500 + number) for number in range(5)]
    soon = implanted(centre, 1)

    with django_assert_max_num_queries(14):
        html = client.get(QUEUE, {"page": 2}).content.decode()
    assert "Page 2 of 3" in html
    assert [one.code in html for one in people] == [False, True, True, False, False]

    html = client.get(QUEUE, {"state": "due", "visit": "discharge"}).content.decode()
    assert soon.code in html
    assert people[0].code not in html
    assert client.get(QUEUE, {"state": "never"}).status_code == 422


def test_two_hundred_and_more_patients_take_one_page_at_a_time(client, lead, centre, django_assert_max_num_queries):
    now = timezone.now()
    people = Patient.objects.bulk_create(Patient(centre=centre, code=f"X-{number:04d}") for number in range(220))
    blank = {"given_name": "Invented", "birth_date": "1950-01-01"}
    PatientIdentity.objects.bulk_create(
        PatientIdentity(
            patient=one,
            family_name=f"Family {one.code}",
            local_identifier=one.code,
            local_identifier_digest=digest(one.code),
            **blank,
        )
        for one in people
    )
    first = make.make_session(people[0], by=lead, started_at=now - dt.timedelta(days=500), outcome="lv_lead_implanted")
    rest = [
        type(first)(
            centre=centre, patient=one, code=f"S-{one.code}", started_at=first.started_at, outcome="lv_lead_implanted"
        )
        for one in people[1:]
    ]
    type(first).objects.bulk_create(rest)

    with django_assert_max_num_queries(14):
        html = client.get(QUEUE).content.decode()

    assert "220 patients, longest overdue first; showing 1 to 50" in html
    assert html.count('<th scope="row"') == 50


def test_an_empty_queue_says_so(client, lead):
    assert "No patient is due" in client.get(QUEUE).content.decode()


def typed(*rows):
    data = {"form-TOTAL_FORMS": str(len(rows)), "form-INITIAL_FORMS": "0"}
    for number, row in enumerate(rows):
        names = ("label", "after_days", "early_days", "late_days")
        data |= {f"form-{number}-{name}": value for name, value in zip(names, row, strict=True)}
    return data


def test_a_centre_sets_its_own_schedule_and_returns_to_the_default(client, lead, centre):
    address = reverse("registry:schedule", args=[centre.code])
    assert "6 weeks" in client.get(address).content.decode()

    answer = client.post(address, typed(("3 months", "91", "30", "30"), ("1 year", "365", "60", "60"), ("",) * 4))

    assert answer.status_code == 302
    assert [one.label for one in PlannedVisit.objects.filter(centre=centre)] == ["3 months", "1 year"]
    patient = implanted(centre, 70)
    assert states(lead) == {patient.code: ("3 months", "due")}
    assert client.post(address, typed(("",) * 4)).status_code == 302
    assert not PlannedVisit.objects.exists()
    assert Change.objects.filter(record_type="registry.plannedvisit", action="deleted").count() == 2


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        ([("3 months", "", "1", "1")], "Visit 1: Days after the implant: enter it, or clear the whole row."),
        ([("3 months", "soon", "1", "1")], "Days after the implant: enter a whole number, such as 30."),
        ([("a", "40", "1", "1"), ("b", "60", "30", "1")], "The window of &#x27;b&#x27; must open later"),
        ([("a", "40", "1", "1"), ("b", "40", "1", "1")], "must open later"),
        ([("a", "4000", "1", "1")], "Enter a value from 0 to 3660"),
    ],
)
def test_a_wrong_schedule_is_said_and_nothing_changes(client, lead, centre, rows, message):
    answer = client.post(reverse("registry:schedule", args=[centre.code]), typed(*rows))

    assert answer.status_code == 422
    assert message in answer.content.decode()
    assert not PlannedVisit.objects.exists()


def test_the_service_refuses_other_roles_and_faults(lead, centre):
    with pytest.raises(AccessDenied, match="Only the clinical lead can change"):
        set_schedule(by=make.make_user(Role.PHYSICIAN, centre), centre=centre, visits=DEFAULT)
    with pytest.raises(RuleBroken, match="must be the last"):
        set_schedule(by=lead, centre=centre, visits=[Visit("a", 40, 1, 1, True), Visit("b", 90, 1, 1)])
    assert Right.PLAN_FOLLOW_UP.name == "PLAN_FOLLOW_UP"


def test_a_schedule_of_a_million_rows_is_refused_without_making_them():
    sent = {"form-TOTAL_FORMS": "1000000", "form-INITIAL_FORMS": "0"}
    forms = ScheduleForms(sent)
    assert not forms.is_valid()
    assert len(forms.forms) <= 21
