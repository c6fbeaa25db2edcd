"""A dump of the demo's database holds no identifier of its patients."""

import shutil
import subprocess

import pytest
from django.core.management import call_command
from django.db import connection

from registry.models import Device, PatientIdentity

pytestmark = pytest.mark.django_db(transaction=True)


def dump() -> bytes:
    """The whole database as somebody who stole it has it."""
    settings = connection.settings_dict
    if connection.vendor == "sqlite":
        with connection.cursor() as cursor:
            cursor.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        with open(settings["NAME"], "rb") as stream:  # noqa: PTH123 - the name is the driver's
            return stream.read()
    program = shutil.which("pg_dump")
    if program is None:
        pytest.skip("pg_dump is not installed")
    where = ["--host", settings["HOST"], "--port", str(settings["PORT"]), "--username", settings["USER"]]
    done = subprocess.run([program, *where, settings["NAME"]], capture_output=True, check=True)
    return done.stdout


def test_a_dump_holds_no_identifier_of_the_demo_patients():
    call_command("load_demo", verbosity=0)
    identities = list(PatientIdentity.objects.select_related("patient"))
    secrets = {
        text for one in identities for text in (one.family_name, one.given_name, one.birth_date, one.local_identifier)
    }
    secrets |= {device.serial_number for device in Device.objects.all() if device.serial_number}

    stolen = dump().lower()

    assert len(identities) >= 10
    assert identities[0].patient.code.lower().encode() in stolen  # the dump is one
    assert [text for text in sorted(secrets) if len(text) > 3 and text.lower().encode() in stolen] == []
