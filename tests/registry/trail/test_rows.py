"""Rows and links are compared both ways: what was written past the services is found and named."""

import datetime as dt
from concurrent.futures import ThreadPoolExecutor

import pytest
from django.apps import apps
from django.core.management import CommandError, call_command
from django.db import connection, transaction
from django.db.models import F

from procedures.models import AnalysisRun, EpochMetric, LeadMeasurement, Session
from procedures.services.sessions import sign_session
from registry.models import Assessment, Centre, Change, Device, Patient, PatientIdentity, TrailHead, User, new_key
from registry.models.trailed import trail_of
from registry.services.course import put_assessment
from registry.trail import record as trail
from registry.trail import rows, sharing, verify
from registry.trail.canonical import link
from registry.trail.heads import exported_heads
from registry.trail.verify import faults
from tests import factories as make
from tests.registry.trail.tampering import without_triggers

pytestmark = pytest.mark.django_db


@pytest.fixture
def case():
    """Return a patient with an assessment that was corrected, and a signed session with measurements."""
    patient = make.make_patient()
    by = make.writer_of(patient.centre)
    one = make.make_assessment(patient, lvef_percent=30)
    put_assessment(by=by, patient=patient, key=one.pk, version=1, kind="before", assessed_on=make.DAY, lvef_percent=33)
    site = make.make_site(make.make_tributary(make.make_session(patient)))
    make.make_measurement(site, capture_threshold_v=1.5)
    make.enter(make.make_epoch(site=site))
    sign_session(by=by, session=make.end_session(site.session))
    return patient


def sql(statement, *values):
    with connection.cursor() as cursor:
        cursor.execute(statement, values)
        assert cursor.rowcount == 1


@pytest.mark.parametrize("model", rows.bound_models(), ids=lambda model: model._meta.label)
def test_a_table_bound_to_links_has_the_keys_that_links_name(model):
    key = model._meta.pk
    while key.remote_field:
        key = key.remote_field.model._meta.pk
    assert key.get_internal_type() == "UUIDField", "declare in the model that its rows have no links, and why"


def test_what_the_services_wrote_is_as_its_links_say(case):
    assert list(faults()) == []


CHANGED = [
    ("procedures_leadmeasurement", "capture_threshold_v = 2.5", "capture_threshold_v"),
    ("procedures_leadmeasurement", "cathode = 'LV 1', anode = 'LV 2'", "anode, cathode"),
    ("procedures_epochmetric", "mean = 1200", "mean"),
    ("procedures_session", "notes = 'nothing happened'", "notes"),
    ("procedures_session", "started_at = '2024-03-01 09:00:00+00:00'", "started_at"),
    ("registry_assessment", "lvef_percent = 60", "lvef_percent"),
    ("registry_assessment", "confirmed_unusual = '[\"lvef_percent\"]'", "confirmed_unusual"),
    ("registry_patient", "sex = 'male'", "sex"),
    ("registry_member", "role = 'clinical_lead'", "role"),
]


@pytest.mark.parametrize(("table", "change", "named"), CHANGED, ids=[f"{one[0]} {one[2]}" for one in CHANGED])
def test_a_value_changed_by_sql_is_found_and_named(case, table, change, named):
    sql(f"UPDATE {table} SET {change}")  # noqa: S608 - words of ours

    (found,) = faults()

    assert found.startswith(table.replace("_", "."))
    assert found.endswith(f"and those before it say: {named}.")


@pytest.fixture
def two():
    """Return two patients of a centre, each with a lead."""
    one = make.make_patient(birth_date=dt.date(1941, 2, 3))
    other = make.make_patient(one.centre)
    for patient, serial in ((one, "SN 11"), (other, "SN 22")):
        make.make_device(patient, serial_number=serial)
    return one, other


@pytest.mark.parametrize(
    ("model", "name"), [(PatientIdentity, "family_name"), (PatientIdentity, "birth_date"), (Device, "serial_number")]
)
def test_encrypted_values_exchanged_by_sql_are_found(two, model, name):
    assert list(faults()) == []
    one, other = (model.objects.get(patient=patient) for patient in two)
    swapped = getattr(one, name), getattr(other, name)
    model.objects.filter(pk=one.pk).update(**{name: swapped[1]})
    model.objects.filter(pk=other.pk).update(**{name: swapped[0]})

    found = list(faults())

    kind = model._meta.label_lower
    assert [line.partition(": ")[0] for line in found] == sorted(f"{kind} {row.pk}" for row in (one, other))
    assert all(line.endswith(f"those before it say: {name}.") for line in found)


def test_two_encrypted_columns_of_a_row_exchanged_are_found(two):
    PatientIdentity.objects.filter(pk=two[0].pk).update(family_name=F("given_name"), given_name=F("family_name"))

    (found,) = faults()

    assert found.endswith("family_name, given_name.")


def test_older_links_that_only_say_there_is_a_value_still_verify(two, monkeypatch):
    monkeypatch.setattr(trail, "paths_to_patients", lambda model: ())
    patient = make.make_patient(two[0].centre, local_identifier="H-3")
    monkeypatch.undo()

    assert list(faults()) == []
    PatientIdentity.objects.filter(pk=patient.pk).update(given_name="")
    (found,) = faults()
    assert found.startswith(f"registry.patientidentity {patient.pk}")


def test_signed_content_changed_by_sql_is_found(case):
    session = Session.objects.get(patient=case)
    session.signed_content["sites"][0]["label"] = "another site"
    Session.objects.filter(pk=session.pk).update(signed_content=session.signed_content)

    (found,) = faults()

    assert found.startswith(f"procedures.session {session.pk}: ")
    assert found.endswith("signed_content.")


def test_a_row_added_by_sql_is_found(case):
    forged = Assessment.objects.get(patient=case)
    forged.pk = new_key()
    Assessment.objects.bulk_create([forged])

    assert list(faults()) == [f"registry.assessment {forged.pk}: the row has no link; it was added past the services."]


def test_a_row_removed_by_sql_is_found(case):
    one = LeadMeasurement.objects.get(site__session__patient=case)
    last = Change.objects.get(record_id=one.pk)
    sql("DELETE FROM procedures_leadmeasurement")

    assert list(faults()) == [
        f"procedures.leadmeasurement {one.pk}: the row is gone, and link {last.sequence} of centre {case.centre_id} "
        "says it is there; it was removed past the services."
    ]


def test_a_removed_row_put_back_by_sql_is_found(case):
    visit = make.make_planned_visit(case.centre)
    with transaction.atomic():
        for action in ("created", "deleted"):
            trail.write(centre_id=case.centre_id, by=None, action=action, record=visit)

    (found,) = faults()

    assert found.startswith(f"registry.plannedvisit {visit.pk}: the row is there, and link")
    assert "says it was deleted" in found


def test_a_row_that_cannot_be_read_hides_no_other(case):
    if connection.vendor != "sqlite":
        pytest.skip("PostgreSQL refuses such a value itself")
    with transaction.atomic():
        sql("UPDATE registry_assessment SET patient_id = 'nothing'")
        sql("UPDATE registry_patient SET sex = 'male'")
        said = list(faults())
        transaction.set_rollback(True)

    assert [one.partition(" ")[0] for one in said] == ["registry.assessment", "registry.patient"]
    assert said[0].endswith("the row holds what cannot be read.")


def test_computed_values_need_no_link_and_typed_ones_do(case):
    epoch = make.make_epoch(Session.objects.get(patient=make.make_session(case).patient, status="open"))
    values = {"epoch": epoch, "key": "edp_mmhg", "mean": 12.0}
    EpochMetric.objects.create(origin="entered", **values)

    (found,) = faults()

    assert "has no link" in found


def test_a_link_that_came_in_between_is_no_fault(case, monkeypatch):
    """A writer may commit after the rows were read and before their links are."""
    one = Assessment.objects.get(patient=case)
    read = rows._rows
    asked = []

    def late(model, keys):
        found = read(model, keys)
        if model is Assessment and not asked:
            asked.append(keys)
            put_assessment(
                by=make.writer_of(case.centre), patient=case, key=one.pk, version=2, kind="before",
                assessed_on=make.DAY, lvef_percent=41,
            )  # fmt: skip
        return found

    monkeypatch.setattr(rows, "_rows", late)

    assert list(faults()) == []
    assert asked


OURS = [model for model in apps.get_models() if model._meta.app_label in {"registry", "procedures", "analytics"}]


@pytest.mark.parametrize("model", OURS, ids=lambda model: model._meta.label_lower)
def test_every_table_is_bound_to_the_trail_or_says_why_not(model):
    declared = trail_of(model)
    fields = {field.attname for field in model._meta.concrete_fields}

    assert model in rows.bound_models() or len(declared.untrailed) > 15
    assert declared.loose.keys() <= fields
    assert declared.linkless is None or declared.why
    # What is true of a patient is never loose.
    assert not {name for name in declared.loose if name in {"patient_id", "session_id", "site_id", "recording_id"}}


def test_what_may_change_without_a_link_is_short():
    """A list to be read when it grows: the rows and fields that SQL may change unseen."""
    untrailed = {model._meta.model_name for model in OURS if trail_of(model).untrailed}
    loose = {model._meta.model_name for model in OURS if trail_of(model).loose}

    assert untrailed == {
        *("trailhead", "change", "look", "codecounter", "importrun", "importpiece", "bedsideentry", "upload"),
        *("attempt", "sign"),
        *("storedsignals", "comparisonrun", "epochbeats", "ecgbeat", "acuteresponse", "responsesummary", "patientkey"),
    }
    assert loose == {"patientidentity", "tableimport", "analysisrun", "recording"}
    assert {AnalysisRun, PatientIdentity, User, Centre} <= set(rows.bound_models())


def remembering(path, **options):
    call_command("verify_trail", remember=path, **options)


def test_a_verified_head_is_kept_and_the_next_run_starts_there(case, tmp_path, capsys, monkeypatch):
    path = tmp_path / "verified.json"
    remembering(path)
    before = Change.objects.count()
    make.make_assessment(case)
    walked = []
    read = verify.Stretch.faults
    monkeypatch.setattr(verify.Stretch, "faults", lambda self: walked.append(self.first) or read(self))

    remembering(path)

    assert walked == [before]
    assert capsys.readouterr().out.endswith(
        f"{before + 1} links, all in order; {before} of them were verified before.\n"
    )
    remembering(path, full=True)
    assert walked == [before, 1]


def test_each_run_compares_another_part_of_the_older_rows_until_all_were(case, tmp_path):
    path = tmp_path / "verified.json"
    remembering(path)
    sql("UPDATE procedures_leadmeasurement SET capture_threshold_v = 2.5")

    def runs():
        for _ in range(verify.PARTS):
            remembering(path)

    with pytest.raises(CommandError, match="capture_threshold_v"):
        runs()
    with pytest.raises(CommandError, match="capture_threshold_v"):
        remembering(path, full=True)


def test_after_a_fault_nothing_is_remembered(case, tmp_path):
    path = tmp_path / "verified.json"
    remembering(path)
    kept = path.read_text(encoding="utf-8")
    make.make_assessment(case)
    Assessment.objects.filter(patient=case).update(lvef_percent=11)

    with pytest.raises(CommandError, match="lvef_percent"):
        remembering(path)
    assert path.read_text(encoding="utf-8") == kept


def test_rows_added_or_removed_by_sql_are_found_by_the_next_run_whatever_their_age(case, tmp_path):
    path = tmp_path / "verified.json"
    remembering(path)
    sql("DELETE FROM procedures_leadmeasurement")

    with pytest.raises(CommandError, match="was removed past the services"):
        remembering(path)


def test_a_chain_rewritten_below_the_verified_head_is_found(case, tmp_path):
    path = tmp_path / "verified.json"
    remembering(path)
    without_triggers()
    last = Change.objects.filter(centre_id=case.centre_id).order_by("sequence").last()
    digest = link(last.previous_digest, trail.parts_of(last) | {"reason": "forged"})
    Change.objects.filter(pk=last.pk).update(reason="forged", digest=digest)
    TrailHead.objects.filter(centre_id=case.centre_id).update(digest=digest)
    assert list(faults()) == []  # nobody can tell without what was kept

    with pytest.raises(CommandError, match="the trail was rewritten"):
        remembering(path)


@pytest.mark.parametrize("kind", ["exported", "changed"])
def test_what_was_verified_is_believed_only_when_this_service_wrote_it(case, tmp_path, kind):
    path = tmp_path / "verified.json"
    if kind == "exported":
        path.write_text(exported_heads(), encoding="utf-8")
    else:
        remembering(path)
        path.write_text(path.read_text(encoding="utf-8").replace('"part": "0"', '"part": "7"'), encoding="utf-8")

    with pytest.raises(CommandError, match="Delete it to verify everything again") as failed:
        remembering(path)
    assert failed.value.returncode == 2


@pytest.mark.django_db(transaction=True)
def test_several_processes_find_the_same(monkeypatch, capsys):
    monkeypatch.setattr(verify, "_LINKS", 10)
    monkeypatch.setattr(verify, "_ROWS", 5)
    monkeypatch.setattr(sharing, "WORTH", 0.5)
    patient = make.make_patient()
    for day in range(30):
        make.make_assessment(patient, assessed_on=make.DAY - dt.timedelta(days=day), lvef_percent=30)
    Assessment.objects.filter(assessed_on__in=[make.DAY, make.DAY - dt.timedelta(days=20)]).update(lvef_percent=44)
    Patient.objects.update(sex="male")
    alone = list(faults())
    with pytest.raises(CommandError, match=r"^3 fault\(s\)"):
        call_command("verify_trail", processes=2)

    assert capsys.readouterr().err.splitlines() == alone
    assert len(alone) == 3


def test_processes_are_started_only_when_there_is_enough_work_for_them(case, monkeypatch, capsys):
    started = []

    class Pool(ThreadPoolExecutor):
        def __init__(self, processes, **_):
            started.append(processes)
            super().__init__(1)

        def map(self, function, pieces):
            return map(function, pieces)

    monkeypatch.setattr(sharing, "ProcessPoolExecutor", Pool)
    call_command("verify_trail", processes=2)
    assert started == []

    work = sum(one.weight for one in verify.pieces())
    assert 0 < work < sharing.WORTH
    for enough, processes in ((work * 1.01, []), (work * 0.99, [2])):
        monkeypatch.setattr(sharing, "WORTH", enough)
        call_command("verify_trail", processes=2)
        assert started == processes
    assert capsys.readouterr().out == f"{Change.objects.count()} links, all in order.\n" * 3


@pytest.mark.parametrize("wanted", [0, -1, 1000])
def test_a_number_of_processes_that_makes_no_sense_is_refused(db, wanted):
    with pytest.raises(CommandError, match="must be from 1 to 64") as failed:
        call_command("verify_trail", processes=wanted)
    assert failed.value.returncode == 2


def test_stretches_of_a_chain_join_without_a_gap(case, monkeypatch):
    monkeypatch.setattr(verify, "_LINKS", 3)
    without_triggers()
    assert list(faults()) == []
    numbers = list(Change.objects.filter(centre_id=case.centre_id).values_list("sequence", flat=True))

    for number in numbers:
        with transaction.atomic():
            Change.objects.filter(centre_id=case.centre_id, sequence=number).delete()
            said = [one for one in verify.chain_faults() if f"{case.centre_id}" in one]
            transaction.set_rollback(True)
        assert said, number
        assert any("missing" in one or "the chain ends" in one for one in said), (number, said)
