"""Days at the edge of a rule: today is no day in the future, and the day of the implant is still before it."""

import datetime as dt

import pytest
from django.utils import timezone

from registry.clinical.schedule import Visit
from registry.clinical.survival import Lifetime
from registry.errors import RuleBroken
from registry.models import Member, Role
from registry.selectors.course import _filtration, judgements
from registry.selectors.devices import lifetimes
from registry.selectors.indication import findings_before
from registry.selectors.people import lately_let_in
from registry.services.identity import correct_identity, fingerprint
from registry.services.patients import record_death
from registry.services.schedule import MOST_VISITS, set_schedule
from tests import factories as make

pytestmark = pytest.mark.django_db


@pytest.fixture
def today():
    return timezone.localdate()


@pytest.fixture
def tomorrow(today):
    return today + dt.timedelta(days=1)


@pytest.fixture
def patient():
    return make.make_patient()


def test_a_patient_may_have_been_born_today_and_not_tomorrow(today, tomorrow):
    assert make.make_patient(birth_date=today).identity.birth_date == today.isoformat()
    with pytest.raises(RuleBroken, match="in the future"):
        make.make_patient(birth_date=tomorrow)


def test_a_birth_date_is_corrected_to_today_and_not_to_tomorrow(patient, today, tomorrow):
    lead = make.make_user(Role.CLINICAL_LEAD, patient.centre)
    identity = patient.identity
    names = {name: getattr(identity, name) for name in ("family_name", "given_name", "local_identifier")}
    about = {"by": lead, "patient": patient, "seen": fingerprint(identity), "reason": "typing"} | names
    with pytest.raises(RuleBroken, match="in the future"):
        correct_identity(**about, birth_date=tomorrow)
    assert correct_identity(**about, birth_date=today).birth_date == today.isoformat()


def test_a_death_is_recorded_for_today_and_not_for_tomorrow(patient, today, tomorrow):
    by = make.writer_of(patient.centre)
    with pytest.raises(RuleBroken, match="in the future"):
        record_death(by=by, patient=patient, died_on=tomorrow)
    assert record_death(by=by, patient=patient, died_on=today).died_on == today


def test_a_schedule_has_as_many_visits_as_it_may_and_no_more():
    centre = make.make_centre()
    lead = make.make_user(Role.CLINICAL_LEAD, centre)
    visits = [Visit(f"Visit {number}", 30 * number, 1, 1) for number in range(1, MOST_VISITS + 2)]
    with pytest.raises(RuleBroken, match=f"at most {MOST_VISITS} visits"):
        set_schedule(by=lead, centre=centre, visits=visits)
    set_schedule(by=lead, centre=centre, visits=visits[:-1])
    assert centre.planned_visits.count() == MOST_VISITS


def test_kidney_function_is_told_from_the_eighteenth_birthday_on():
    patient = make.make_patient(birth_date=make.DAY.replace(year=make.DAY.year - 18))
    on_it = make.make_assessment(patient, assessed_on=make.DAY, creatinine_umol_per_l=80)
    day_before = make.make_assessment(patient, assessed_on=make.DAY - dt.timedelta(days=1), creatinine_umol_per_l=80)
    assert _filtration(patient, day_before) == "for adults only"
    assert "for adults only" not in _filtration(patient, on_it)


@pytest.mark.parametrize(("late", "counts"), [(0, True), (1, False)])
def test_an_assessment_on_the_day_of_the_implant_is_from_before_it(patient, late, counts):
    day = make.DAY
    assessment = make.make_assessment(patient, assessed_on=day + dt.timedelta(days=late), lvef_percent=30)

    found = findings_before(patient, [assessment], day)
    ejection = judgements(day, patient, [assessment], [], day)[1]

    assert (found.lvef_percent.value == 30) is counts
    # With a value from before, only the one of the follow-up is missing.
    missing = "No LVEF between 3 and 12 months after the implant." if counts else "No LVEF before the implant."
    assert missing in str(ejection)


@pytest.mark.parametrize(("died_before", "failed"), [(-1, True), (1, False)])
def test_a_part_taken_out_after_the_patient_died_did_not_fail(patient, today, died_before, failed):
    out = make.DAY + dt.timedelta(days=100)
    make.make_device(patient, explanted_on=out, explant_reason="battery")
    died = out - dt.timedelta(days=died_before)
    record_death(by=make.writer_of(patient.centre), patient=patient, died_on=died)
    lead = make.make_user(Role.CLINICAL_LEAD, patient.centre)

    (found,) = lifetimes(lead, today).values()

    assert found == [Lifetime(min(100, (died - make.DAY).days), failed)]


@pytest.mark.parametrize(("days", "shown"), [(89, True), (91, False)])
def test_who_was_let_in_is_shown_for_ninety_days(patient, days, shown):
    lead = make.make_user(Role.CLINICAL_LEAD, patient.centre)
    nurse = make.make_user(Role.LAB_STAFF, patient.centre)
    Member.objects.filter(user=nurse).update(created_at=timezone.now() - dt.timedelta(days=days))

    assert (nurse in [member.user for member, _ in lately_let_in(lead)]) is shown
