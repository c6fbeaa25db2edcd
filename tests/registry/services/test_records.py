"""Writing a record: idempotent by key, guarded by version, whole or not exported."""

import datetime as dt

import pytest
from django.utils import timezone

from registry.errors import AccessDenied, Conflict, RuleBroken
from registry.models import Assessment, Change, PatientIdentity, Role, new_key
from registry.services.course import put_assessment
from registry.services.patients import record_death, register_patient
from registry.services.people import found_centre
from tests import factories as make

pytestmark = pytest.mark.django_db


@pytest.fixture
def patient():
    return make.make_patient()


@pytest.fixture
def write(patient):
    by = make.writer_of(patient.centre)

    def write(**values):
        return put_assessment(by=by, patient=patient, **({"kind": "before", "assessed_on": make.DAY} | values))

    return write


def links():
    return Change.objects.count()


def test_the_same_key_with_the_same_values_is_a_replay(write):
    key = new_key()
    first = write(key=key, lvef_percent=30.0)
    before = links()

    second = write(key=key, lvef_percent=30.0)

    assert (first.pk, second.version, links()) == (second.pk, 1, before)


def test_the_same_key_with_other_values_and_no_version_is_a_conflict_with_both(write):
    key = new_key()
    write(key=key, lvef_percent=30.0)

    with pytest.raises(Conflict) as conflict:
        write(key=key, lvef_percent=31.0)

    assert conflict.value.yours["lvef_percent"] == "31.0"
    assert conflict.value.stored["lvef_percent"] == "30.0"
    assert conflict.value.stored["version"] == 1
    assert Assessment.objects.get().lvef_percent == 30


def test_a_change_under_the_version_that_was_read_goes_through_once(write):
    record = write(lvef_percent=30.0)

    assert write(key=record.pk, version=1, lvef_percent=31.0).version == 2
    with pytest.raises(Conflict):
        write(key=record.pk, version=1, lvef_percent=32.0)


def test_a_key_of_another_patient_is_not_found(write):
    theirs = make.make_assessment(make.make_patient())

    with pytest.raises(Assessment.DoesNotExist):
        write(key=theirs.pk, version=1, lvef_percent=31.0)


def test_a_refused_change_writes_neither_record_nor_link(write):
    record = write(lvef_percent=30.0)
    before = links()

    with pytest.raises(RuleBroken) as refused:
        write(key=record.pk, version=1, lvef_percent=95.0)

    assert refused.value.fields == {"lvef_percent": ["Enter a value from 3 to 90, or leave it empty."]}
    assert (Assessment.objects.get().lvef_percent, links()) == (30, before)


@pytest.mark.parametrize("role", [Role.RESEARCHER, Role.ADMINISTRATOR, None])
def test_a_role_without_the_right_writes_nothing(patient, role):
    by = make.make_user(role, patient.centre)
    with pytest.raises(AccessDenied):
        put_assessment(by=by, patient=patient, kind="before", assessed_on=make.DAY)
    assert not Assessment.objects.exists()


def test_a_member_of_another_centre_writes_nothing(patient):
    with pytest.raises(AccessDenied):
        put_assessment(by=make.make_user(), patient=patient, kind="before", assessed_on=make.DAY)


def test_patients_get_running_codes_within_their_centre():
    centre = make.make_centre()

    assert [make.make_patient(centre).code for _ in range(3)] == ["P-0001", "P-0002", "P-0003"]
    assert make.make_patient().code == "P-0001"


def test_the_same_hospital_number_is_refused_however_it_is_typed(patient):
    number = patient.identity.local_identifier
    with pytest.raises(RuleBroken, match=f"already registered, as {patient.code}"):
        make.make_patient(patient.centre, local_identifier=f"  {number.lower()} ")


def test_the_same_hospital_number_in_another_centre_is_another_person(patient):
    make.make_patient(local_identifier=patient.identity.local_identifier)

    assert PatientIdentity.objects.count() == 2


def test_registering_again_under_the_same_key_is_a_replay(patient):
    identity = patient.identity
    again = register_patient(
        by=make.writer_of(patient.centre),
        centre=patient.centre,
        key=patient.pk,
        family_name=identity.family_name,
        given_name=identity.given_name,
        birth_date=make.dt.date.fromisoformat(identity.birth_date),
        local_identifier=identity.local_identifier,
        sex=patient.sex,
        aetiology=patient.aetiology,
    )

    assert (again.pk, again.code, PatientIdentity.objects.count()) == (patient.pk, patient.code, 1)


def test_founding_a_centre_twice_finds_it_again():
    assert found_centre(code="same", name="A") == found_centre(code="same", name="B")


def test_death_in_the_future_is_refused_beside_its_field(patient):
    by = make.writer_of(patient.centre)
    tomorrow = timezone.localdate() + dt.timedelta(days=1)
    with pytest.raises(RuleBroken) as caught:
        record_death(by=by, patient=patient, died_on=tomorrow)
    assert list(caught.value.fields) == ["died_on"]
    patient.refresh_from_db()
    assert patient.died_on is None
