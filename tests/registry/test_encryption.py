"""Identifiers at rest: nothing readable in any table, and nothing readable without the key."""

import datetime as dt
from itertools import chain

import pytest
from cryptography.fernet import Fernet
from django.core.exceptions import FieldError, ImproperlyConfigured
from django.db import connection

from registry.models import Change, Device, PatientIdentity
from registry.models.encrypted import digest, digests
from tests import factories as make
from tests.revealing import clear_text

pytestmark = pytest.mark.django_db
IDENTIFIERS = {"family_name": "Zebrafield", "given_name": "Quintessa", "local_identifier": "MRN-998877"}
BORN, SERIAL = dt.date(1951, 7, 23), "SN-4242-XYZ"


@pytest.fixture
def patient():
    patient = make.make_patient(birth_date=BORN, **IDENTIFIERS)
    make.make_device(patient, serial_number=SERIAL)
    make.make_session(patient)
    return patient


def everything_stored():
    """Return every cell of every table, as the database holds it."""
    with connection.cursor() as cursor:
        for table in connection.introspection.table_names():
            cursor.execute(f"SELECT * FROM {connection.ops.quote_name(table)}")  # noqa: S608 - table names of our own
            yield from (str(cell) for cell in chain.from_iterable(cursor.fetchall()))


def test_no_table_holds_an_identifier_in_the_clear(patient):
    cells = list(everything_stored())

    assert any(patient.code in cell for cell in cells)  # the search does look at what is stored
    for secret in (*IDENTIFIERS.values(), BORN.isoformat(), SERIAL):
        assert not [cell for cell in cells if secret.lower() in cell.lower()]


def test_the_trail_says_that_an_identifier_was_written_and_not_which(patient):
    values = clear_text(Change.objects.get(record_type="registry.patientidentity"))

    assert values.count("(encrypted)") == 4


def test_the_application_reads_them(patient):
    identity = PatientIdentity.objects.get()

    assert (identity.family_name, identity.birth_date) == ("Zebrafield", "1951-07-23")
    assert Device.objects.get().serial_number == SERIAL


def test_the_same_text_never_encrypts_to_the_same_ciphertext(patient):
    make.make_patient(patient.centre, family_name="Zebrafield")
    with connection.cursor() as cursor:
        cursor.execute("SELECT family_name FROM registry_patientidentity")
        stored = [name for (name,) in cursor.fetchall()]

    assert len(set(stored)) == 2


def test_a_new_key_in_front_still_reads_the_old_and_finds_the_same_person(patient, settings):
    before = digest(" mrn-998877 ")
    assert before == digest("MRN-998877") == PatientIdentity.objects.get().local_identifier_digest
    settings.IDENTITY_KEYS = [Fernet.generate_key().decode(), *settings.IDENTITY_KEYS]

    assert PatientIdentity.objects.get().family_name == "Zebrafield"
    found = PatientIdentity.objects.get(local_identifier_digest__in=digests("MRN-998877"))
    assert found.local_identifier_digest == before != digest("MRN-998877")


def test_a_wrong_key_reads_nothing_and_says_what_to_do(patient, settings):
    settings.IDENTITY_KEYS = [Fernet.generate_key().decode()]

    with pytest.raises(ImproperlyConfigured, match="TRIBUTARY_IDENTITY_KEYS"):
        PatientIdentity.objects.get()


def test_an_encrypted_column_cannot_be_searched(patient):
    with pytest.raises(FieldError):
        PatientIdentity.objects.filter(family_name="Zebrafield").exists()
    assert Device.objects.filter(serial_number__isnull=False).count() == 1
