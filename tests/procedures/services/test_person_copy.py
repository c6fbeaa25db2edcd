"""A patient's copy holds every table that tells of the patient, nothing of anybody else, and no name of staff."""

import csv
import hashlib
import io
import json
import stat
import zipfile

import pytest
from django.core.management import CommandError, call_command

from procedures.models import Recording
from registry.models import Change, Look, Patient, Role
from registry.models.declared import STAFF, handling_of
from registry.selectors.erasing import models_of_patients, rows_of, stands_for
from registry.selectors.person_copy import LEFT_OUT, tables
from registry.services import person_copy as service
from registry.services.looks import record_look
from registry.trail.content import contents, keys_for
from registry.trail.verify import faults
from tests import factories as make
from tests.everything import everything_of

pytestmark = pytest.mark.django_db
MARK, OTHER = "Quexmarkov-Ztlb", "Bystander-Wvyx"


@pytest.fixture(autouse=True)
def own_places(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path / "recordings"


@pytest.fixture
def lead():
    centre = make.make_centre(code="north")
    user = make.make_user(Role.CLINICAL_LEAD, centre)
    user.full_name = "Zelmira Staffperson"
    user.save()
    user.at = centre
    return user


@pytest.fixture
def patient(lead):
    return make.make_patient(lead.at, by=lead, code="QX-7741", family_name=MARK, local_identifier="HOSP-77QX31")


def run(lead, file, *more, code="QX-7741"):
    out = io.StringIO()
    call_command("person_copy", code, str(file), "--centre", "north", "--by", lead.username, *more, stdout=out)
    return out.getvalue()


def test_every_table_that_tells_of_a_patient_is_in_or_left_out_with_a_reason():
    labels = {model._meta.label_lower for model in models_of_patients()}
    inside = {table.model._meta.label_lower for table in tables()}

    assert inside.isdisjoint(LEFT_OUT)
    assert inside | LEFT_OUT.keys() == labels
    assert all(LEFT_OUT.values())


def test_every_field_is_in_unless_it_names_staff_or_says_why():
    shown = {f"{table.model._meta.label_lower}.{field.name}" for table in tables() for field in table.shown}
    staff = {
        f"{table.model._meta.label_lower}.{field.attname}"
        for table in tables()
        for field in table.model._meta.concrete_fields
        if handling_of(table.model)[field.name].reason == STAFF
    }
    left_out = {
        f"{table.model._meta.label_lower}.{field.name}"
        for table in tables()
        for field in table.fields
        if field.left_out
    }

    assert staff
    assert staff.isdisjoint(shown)
    assert left_out - staff == {"registry.patientidentity.local_identifier_digest"}


def test_the_copy_holds_all_of_the_patient_and_nothing_of_others(lead, patient, tmp_path):
    other = make.make_patient(lead.at, by=lead, code="OT-1", family_name=OTHER)
    make.make_assessment(other, by=lead)
    everything_of(patient, lead=lead, mark=MARK, apart_from=other, number=31.7731)
    record_look(by=lead, patients=[patient.pk], page="registry:patient")
    file = tmp_path / "copy.zip"

    said = run(lead, file, "--recordings")

    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    with zipfile.ZipFile(file) as archive:
        assert archive.testzip() is None
        names = archive.namelist()
        originals = {n: archive.read(n) for n in names if n.startswith("recordings/")}
        texts = {name: archive.read(name).decode("utf-8-sig") for name in names if not name.startswith("recordings/")}
    codes = stands_for(patient)
    for table in tables():
        held = json.loads(texts[f"tables/{table.name}.json"])
        assert len(held) == rows_of(table.model, codes).count(), table.name
        as_table = list(csv.DictReader(io.StringIO(texts[f"tables/{table.name}.csv"])))
        assert len(as_table) == len(held)
        assert all(list(row) == [field.name for field in table.shown] for row in held)
    identity = json.loads(texts["tables/registry-patientidentity.json"])
    assert {row["family_name"] for row in identity} == {MARK}
    assert "HOSP-77QX31" in {row["local_identifier"] for row in identity}
    assert "31.7731" in texts["tables/registry-assessment.csv"]
    assert MARK in texts["index.html"]
    assert "Page of the patient,Clinical lead" in texts["access-log.csv"]
    everything = "".join(texts.values())
    for word in (OTHER, str(other.pk), "OT-1", "Zelmira", str(lead.pk), lead.username):
        assert word not in everything, word
    # As they were recorded, not as they lie encrypted.
    kept = {f"recordings/{one.file.name}": one.sha256 for one in Recording.objects.all()}
    assert {name: hashlib.sha256(content).hexdigest() for name, content in originals.items()} == kept
    assert len(originals) == 1
    assert f"{len(originals)} recordings" in said
    columns = {(row["table"], row["column"]) for row in csv.DictReader(io.StringIO(texts["data-dictionary.csv"]))}
    assert columns == {(table.name, field.name) for table in tables() for field in table.fields}


def test_who_made_it_and_its_hash_stand_in_the_trail_and_it_is_a_look(lead, patient, tmp_path):
    digest = run(lead, tmp_path / "copy.zip").partition("SHA-256 ")[2].partition(".")[0]

    change = Change.objects.get(action="copied")
    assert (change.record_id, change.actor_id) == (patient.pk, lead.pk)
    assert digest in contents(change, keys_for([change]))["reason"]
    assert len(digest) == 64
    assert [(look.page, look.patients) for look in Look.objects.all()] == [("person_copy", str(patient.pk))]
    assert list(faults()) == []


def test_a_file_that_is_there_is_kept_and_nothing_is_noted(lead, patient, tmp_path):
    file = tmp_path / "copy.zip"
    file.write_text("mine")
    with pytest.raises(CommandError, match="a file of this name already") as error:
        run(lead, file)

    assert error.value.returncode == 2
    assert file.read_text() == "mine"
    assert [one.name for one in tmp_path.iterdir()] == ["copy.zip"]
    assert not Change.objects.filter(action="copied").exists()


def test_a_folder_that_is_not_there_is_said(lead, patient, tmp_path):
    with pytest.raises(CommandError, match="could not be written") as error:
        run(lead, tmp_path / "nowhere" / "copy.zip")
    assert error.value.returncode == 2


@pytest.mark.parametrize("role", [role for role in Role.values if role != Role.CLINICAL_LEAD])
def test_only_the_clinical_lead_makes_a_copy(lead, patient, tmp_path, role):
    with pytest.raises(CommandError, match="Only the clinical lead") as error:
        run(make.make_user(role, lead.at), tmp_path / "copy.zip")
    assert error.value.returncode == 2
    assert list(tmp_path.glob("*.zip")) == []


def test_a_fault_on_the_way_leaves_no_file(lead, patient, tmp_path, monkeypatch):
    monkeypatch.setattr(service.trail, "write", lambda **_: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        run(lead, tmp_path / "copy.zip")
    assert [one for one in tmp_path.iterdir() if one.is_file()] == []
    assert Patient.objects.filter(pk=patient.pk).exists()


def test_text_from_a_record_is_no_markup_and_no_formula(lead, patient, tmp_path):
    make.make_adverse_event(patient, by=lead, description="=<b>bold</b>")
    run(lead, tmp_path / "copy.zip")
    with zipfile.ZipFile(tmp_path / "copy.zip") as archive:
        assert "=&lt;b&gt;bold" in archive.read("index.html").decode()
        assert "'=<b>bold" in archive.read("tables/registry-adverseevent.csv").decode()
