"""A table that is right: what is stored, what the trail says, and what happens when it is stopped or broken off."""

from __future__ import annotations

import datetime as dt
import re

import pytest
from django.db import IntegrityError, connection, transaction
from django.db.models import F
from django.utils import timezone

from procedures.models import Session
from registry import jobs
from registry.described.kind import tables
from registry.errors import AccessDenied, RuleBroken
from registry.importing.rows import STORED
from registry.models import (
    Assessment,
    Change,
    Consent,
    ImportPart,
    ImportRun,
    ImportState,
    Patient,
    PatientIdentity,
    Role,
    RunState,
    TableImport,
    new_key,
)
from registry.services import import_running, imports
from registry.trail.verify import faults
from tests import factories as make
from tests.registry.importing.tables import (
    FORMATS,
    PATIENTS,
    VISITS,
    as_csv,
    begin,
    carried_out,
    checked,
    counts,
    decided,
    findings,
    loaded,
    saved,
    workbook,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def centre():
    return make.make_centre()


@pytest.fixture
def lead(centre):
    return make.make_user(Role.CLINICAL_LEAD, centre)


def people(count: int = 3, first: int = 0) -> list[tuple]:
    return [
        (f"N-{n:04d}", f" Adler{n} ", "Eva", "1950-03-27", ("Female", "male")[n % 2], "ISCHAEMIC")
        for n in range(first, first + count)
    ]


def take_in(by, centre, content, kind="patients", **plan):
    return loaded(by, checked(by, decided(by, begin(by, centre, content, kind), **plan)))


@pytest.mark.parametrize("form", FORMATS)
def test_patients_are_stored_with_identity_code_and_one_line_each_in_the_trail(lead, centre, form):
    make.make_patient(centre, by=lead, code="P-0007")
    before = Change.objects.count()

    run = take_in(lead, centre, FORMATS[form]([PATIENTS, *people()]))

    assert (run.state, run.records_made, run.rows_read) == (ImportState.LOADED, 3, 3)
    stored = list(Patient.objects.exclude(code="P-0007").select_related("identity").order_by("code"))
    assert [one.code for one in stored] == ["P-0008", "P-0009", "P-0010"]
    assert [one.identity.family_name for one in stored] == ["Adler0", "Adler1", "Adler2"]
    assert [(one.sex, one.aetiology) for one in stored] == [
        ("female", "ischaemic"),
        ("male", "ischaemic"),
        ("female", "ischaemic"),
    ]
    lines = Change.objects.filter(reason__startswith="import ")
    assert sorted(lines.values_list("record_type", "record_id")) == sorted(
        (kind, one.pk) for one in stored for kind in ("registry.patient", "registry.patientidentity")
    )
    assert Change.objects.count() == before + 7  # the import's own line too
    assert list(faults()) == []


def test_a_line_of_the_trail_is_the_same_as_the_one_a_person_makes(lead, centre):
    typed = make.make_patient(centre, by=lead, sex="female", aetiology="ischaemic")
    take_in(lead, centre, as_csv([PATIENTS, *people(1)]))
    taken = Patient.objects.exclude(pk=typed.pk).get()

    def line(patient, kind):
        change = Change.objects.get(record_id=patient.pk, record_type=kind)
        values = change.values.replace(str(patient.pk), "KEY").replace(patient.code, "CODE")
        # A digest of a hospital number differs from patient to patient.
        return re.sub(r"[0-9a-f]{64}", "DIGEST", values), change.action, change.actor_id

    for kind in ("registry.patient", "registry.patientidentity"):
        assert line(taken, kind) == line(typed, kind)


def test_follow_ups_in_other_units_words_and_dates(lead, centre):
    patient = make.make_patient(centre, by=lead, local_identifier="HOSP-9")
    header = ["hospital number", "Visit", "Seen on", "NYHA", "EF", "LVEDV [L]", "Crea [mg/dL]", "QRS [s]", "proBNP"]
    rows = [
        ["HOSP-9", "V1", "27.03.2024", "III", "0,35", "0,21", "1,2", "0,145", "k.A."],
        ["HOSP-9", "V2", "01.04.2024", "2", "0,4", "", "1", "", "100"],
    ]
    columns = {
        "kind": "Visit",
        "assessed_on": "Seen on",
        "nyha_class": "NYHA",
        "lvef_percent": "EF",
        "lvedv_ml": "LVEDV [L]",
        "creatinine_umol_per_l": "Crea [mg/dL]",
        "qrs_duration_ms": "QRS [s]",
        "nt_probnp_pg_per_ml": "proBNP",
    }
    run = begin(lead, centre, as_csv([header, *rows], ";"), "assessments")
    run = decided(lead, run, columns=columns, missing=("k.A.",))
    asked = imports.questions(imports.kind_of(run), imports.plan_of(run), imports.scan_of(run))
    assert [one.key for one in asked] == ["word:kind:v1", "word:kind:v2", "unit:nt_probnp_pg_per_ml"]
    answers = {"word:kind:v1": "before", "word:kind:v2": "follow_up", "unit:nt_probnp_pg_per_ml": "pmol/L"}
    run = loaded(lead, checked(lead, imports.answer_questions(by=lead, run=run, answers=answers)))

    first, second = Assessment.objects.filter(patient=patient).order_by("assessed_on")
    assert (first.kind, first.assessed_on, first.nyha_class) == ("before", dt.date(2024, 3, 27), 3)
    assert (first.lvef_percent, first.lvedv_ml, first.qrs_duration_ms) == (35.0, 210.0, 145.0)
    assert first.creatinine_umol_per_l == pytest.approx(106.08)
    assert (first.nt_probnp_pg_per_ml, second.nt_probnp_pg_per_ml) == (None, pytest.approx(845.7))
    assert (second.kind, second.lvedv_ml, second.rhythm) == ("follow_up", None, "unknown")


def test_sessions_with_spreadsheet_dates_an_operator_and_running_codes(lead, centre):
    operator = make.make_user(Role.PHYSICIAN, centre)
    patient = make.make_patient(centre, by=lead)
    make.make_session(patient, by=lead, code="S-2024-0004")
    header = [
        "Patient's code",
        "Kind of procedure",
        "Start of the session",
        "Implanting physician",
        "Dose-area product",
    ]
    book = workbook(
        [
            header,
            [patient.code, "Upgrade", dt.datetime(2024, 5, 2, 9, 30), operator.full_name, 12.5],  # noqa: DTZ001 - a workbook knows no zone
            [patient.code, "First implant", dt.datetime(2023, 5, 2), operator.username, 40],  # noqa: DTZ001
        ]
    )
    book.create_sheet("old").sheet_state = "hidden"
    run = decided(lead, begin(lead, centre, saved(book), "sessions"))
    assert imports.look_of(run)["notes"] == ["The hidden sheet 'old' is left out."]
    run = imports.answer_questions(by=lead, run=run, answers={"unit:dose_area_product_gy_cm2": "µGy·m²"})
    run = loaded(lead, checked(lead, run))

    made = Session.objects.exclude(code="S-2024-0004").order_by("started_at")
    assert [(one.code, one.procedure, one.operator, one.status) for one in made] == [
        ("S-2023-0001", "de_novo", operator, "open"),
        ("S-2024-0005", "upgrade", operator, "open"),
    ]
    assert made[1].started_at == dt.datetime(2024, 5, 2, 9, 30, tzinfo=dt.UTC)
    assert made[1].dose_area_product_gy_cm2 == pytest.approx(0.125)


def test_an_old_session_may_be_of_a_physician_who_has_left_since(lead, centre):
    patient = make.make_patient(centre)
    operator = make.make_user(Role.PHYSICIAN, centre)
    operator.memberships.update(ended_on=dt.date(2024, 5, 1))
    header = ("Patient's code", "Kind of procedure", "Start of the session", "Implanting physician")
    rows = [
        (patient.code, "Upgrade", f"{day} 09:30", operator.username)
        for day in ("2024-04-30", "2024-05-01", "2024-06-03")
    ]

    run = checked(lead, decided(lead, begin(lead, centre, as_csv([header, *rows]), "sessions")))

    said = f"no physician of this centre is called '{operator.username}'"
    assert findings(run) == [(row, "Implanting physician", said) for row in (3, 4)]


def test_days_counted_by_a_spreadsheet_are_asked_for_and_read_from_the_start_that_was_said(lead, centre):
    for serial, day in (("1900", dt.date(1950, 3, 27)), ("1904", dt.date(1954, 3, 28))):
        row = (f"S-{serial}", "A", "B", 18349, "female", "ischaemic")
        take_in(lead, centre, as_csv([PATIENTS, row]), serial=serial)
        identity = PatientIdentity.objects.get(patient=Patient.objects.latest("created_at"))
        assert identity.birth_date == day.isoformat()


def test_the_same_file_again_is_a_replay(lead, centre):
    content = as_csv([PATIENTS, *people()])
    take_in(lead, centre, content)
    before = counts()

    with pytest.raises(RuleBroken, match=r"already loaded, on .* by Member \d+: 3 records"):
        begin(lead, centre, content)

    assert counts() == before


def test_a_file_under_way_is_taken_up_where_it_stands(lead, centre):
    content = as_csv([PATIENTS, *people()])
    first = checked(lead, decided(lead, begin(lead, centre, content)))

    again = begin(lead, centre, content, name="renamed")

    assert (again.pk, again.state) == (first.pk, ImportState.CHECKED)
    assert loaded(lead, again).state == ImportState.LOADED


def test_a_longer_file_may_leave_out_what_is_stored(lead, centre):
    take_in(lead, centre, as_csv([PATIENTS, *people(3)]))
    run = checked(lead, decided(lead, begin(lead, centre, as_csv([PATIENTS, *people(5)]))))
    assert (run.problems, run.stored_already) == (3, 3)
    assert {page[0][3] for page in imports.findings_pages(run)} == {STORED}

    run = checked(lead, decided(lead, run, leave_out_stored=True))
    assert (run.problems, run.stored_already) == (0, 3)
    assert loaded(lead, run).records_made == 2
    assert Patient.objects.count() == 5


@pytest.mark.parametrize("broken", ["registry.trail.bulk.linked", "registry.services.import_running.write_created"])
def test_a_crash_in_the_middle_of_loading_leaves_nothing_and_can_be_started_again(lead, centre, monkeypatch, broken):
    run = checked(lead, decided(lead, begin(lead, centre, as_csv([PATIENTS, *people()]))))
    before = counts()
    run = imports.start_load(by=lead, run=run, queue=False)
    with monkeypatch.context() as patch:
        patch.setattr(broken, lambda *_, **__: 1 / 0)
        work = carried_out(run)

    assert counts() == before
    assert (run.state, "Nothing was saved" in work.failure) == (ImportState.CHECKED, True)
    assert (work.state, work.attempts) == (RunState.QUEUED, 1)
    ImportRun.objects.update(next_try_at=None)
    assert carried_out(run).attempts == 2
    assert (run.state, run.records_made) == (ImportState.LOADED, 3)


def lose_worker(run):
    """Leave the import's run as a worker does that is stopped at work, a minute later."""
    a_minute_ago = timezone.now() - dt.timedelta(minutes=1)
    lost = {"state": RunState.RUNNING, "token": new_key(), "lease_until": a_minute_ago, "sent_at": a_minute_ago}
    run.runs.filter(state__in=ImportRun.BUSY).update(**lost, attempts=F("attempts") + 1)


def test_a_dry_run_and_a_loading_that_lost_their_worker_are_done_once_by_another(lead, centre):
    run = decided(lead, begin(lead, centre, as_csv([PATIENTS, *people(), ("", "A", "B", "", "", "")])))
    run = imports.start_check(by=lead, run=run, queue=False)
    # Some of its findings are there already.
    ImportPart.objects.create(table_import=run, of="findings", number=1, content="[]")
    lose_worker(run)
    assert carried_out(run).attempts == 2
    assert (run.problems, len(findings(run))) == (2, 2)

    run = checked(lead, decided(lead, begin(lead, centre, as_csv([PATIENTS, *people()]))))
    run = imports.start_load(by=lead, run=run, queue=False)
    lose_worker(run)
    work = carried_out(run)
    assert (work.state, run.state, run.records_made) == (RunState.DONE, ImportState.LOADED, 3)
    assert not jobs.carry_out("import", work.pk)
    assert Patient.objects.count() == 3


def test_who_lost_an_import_to_another_writes_neither_findings_nor_records(lead, centre, monkeypatch):
    run = decided(lead, begin(lead, centre, as_csv([PATIENTS, *people()])))
    for start in (imports.start_check, imports.start_load):
        run = start(by=lead, run=run, queue=False)
        before = counts()
        real = import_running._judged

        def taken_over(*args, real=real, **options):
            yield from real(*args, **options)
            ImportRun.objects.filter(state=RunState.RUNNING).update(token=new_key())

        with monkeypatch.context() as patch:
            patch.setattr(import_running, "_judged", taken_over)
            work = carried_out(run)
        assert work.state == RunState.RUNNING
        assert counts() == before
        assert run.state == (ImportState.NEW if start is imports.start_check else ImportState.CHECKED)
        lose_worker(run)
        carried_out(run)
    assert run.state == ImportState.LOADED


def test_only_one_run_of_an_import_at_a_time(lead, centre):
    run = decided(lead, begin(lead, centre, as_csv([PATIENTS, *people()])))
    imports.start_check(by=lead, run=run, queue=False)
    with pytest.raises(RuleBroken, match="is running"):
        imports.start_check(by=lead, run=run)
    with pytest.raises(IntegrityError), transaction.atomic():
        ImportRun.objects.create(table_import=run, task="load")
    assert imports.run_again(by=lead, run=run).runs.count() == 1


def test_a_cancelled_import_writes_nothing(lead, centre):
    run = checked(lead, decided(lead, begin(lead, centre, as_csv([PATIENTS, *people()]))))
    before = counts()
    run = imports.start_load(by=lead, run=run, queue=False)
    imports.cancel_import(by=lead, run=run)
    carried_out(run)

    assert counts() == before
    assert run.state == ImportState.CHECKED


def test_cancelling_while_the_rows_are_prepared(lead, centre, monkeypatch):
    run = checked(lead, decided(lead, begin(lead, centre, as_csv([PATIENTS, *people()]))))
    before = counts()
    run = imports.start_load(by=lead, run=run, queue=False)
    real = jobs.Claim.tell

    def cancelled_meanwhile(claim, step, share):
        imports.cancel_import(by=lead, run=TableImport.objects.get(pk=run.pk))
        real(claim, step, share)

    monkeypatch.setattr(jobs.Claim, "tell", cancelled_meanwhile)
    carried_out(run)

    assert counts() == before
    assert run.state == ImportState.CHECKED


def test_what_somebody_writes_between_judging_and_loading_is_seen(lead, centre, monkeypatch):
    run = checked(lead, decided(lead, begin(lead, centre, as_csv([PATIENTS, *people()]))))
    run = imports.start_load(by=lead, run=run, queue=False)
    real, done = import_running._prepared, []

    def somebody_registers(*told, **options):
        made = real(*told, **options)
        if not done:
            done.append(make.make_patient(centre, by=lead, local_identifier="N-0001"))
        return made

    monkeypatch.setattr(import_running, "_prepared", somebody_registers)
    work = carried_out(run)

    assert work.state == RunState.FAILED
    assert "row 3" in work.failure
    assert "is already stored" in work.failure
    assert Patient.objects.count() == 1
    assert list(faults()) == []


def test_problems_are_kept_page_by_page(lead, centre):
    run = checked(lead, decided(lead, begin(lead, centre, as_csv([PATIENTS, *[("", "A", "B", "", "", "")] * 120]))))

    assert run.problems == 240
    assert [len(page) for page in imports.findings_pages(run)] == [50, 50, 50, 50, 40]
    assert findings(run)[0] == (2, "Hospital number", "is empty")
    with pytest.raises(RuleBroken, match="240 problems"):
        imports.start_load(by=lead, run=run)


def test_nothing_of_the_file_is_readable_in_the_database_and_it_goes_when_loaded(lead, centre):
    run = checked(
        lead, decided(lead, begin(lead, centre, as_csv([PATIENTS, *people(), ("", "Adler9", "x", "Adler8", "", "")])))
    )
    assert run.problems
    with connection.cursor() as cursor:
        for table in ("registry_tableimport", "registry_importpart", "registry_change"):
            cursor.execute(f"SELECT * FROM {table}")  # noqa: S608 - names of ours
            assert "Adler" not in repr(cursor.fetchall())
    assert ImportPart.objects.exists()

    imports.discard_import(by=lead, run=run)
    assert not ImportPart.objects.exists()
    take_in(lead, centre, as_csv([PATIENTS, *people()]))
    assert not ImportPart.objects.exists()


@pytest.mark.parametrize("role", [Role.LAB_STAFF, Role.PHYSICIAN, Role.RESEARCHER, Role.ADMINISTRATOR])
def test_only_a_clinical_lead_of_the_centre_imports(centre, role):
    content = as_csv([PATIENTS, *people()])
    for by in (make.make_user(role, centre), make.make_user(Role.CLINICAL_LEAD)):
        with pytest.raises(AccessDenied, match="clinical lead"):
            begin(by, centre, content)
    lead = make.make_user(Role.CLINICAL_LEAD, centre)
    run = begin(lead, centre, content)
    for act in (imports.start_check, imports.start_load, imports.cancel_import, imports.discard_import):
        with pytest.raises(AccessDenied):
            act(by=make.make_user(role, centre), run=run)


def test_what_is_written_bears_the_name_of_who_loaded_it_and_not_of_the_file(lead, centre):
    colleague = make.make_user(Role.CLINICAL_LEAD, centre)
    run = begin(lead, centre, as_csv([PATIENTS, *people(1)]), name="Nightingale_Flora.csv")
    run = checked(lead, decided(lead, run))
    before = Change.objects.count()

    run = loaded(colleague, run)

    assert (run.uploaded_by, run.loaded_by) == (lead, colleague)
    made = Change.objects.filter(action="created", record_type="registry.patient")
    assert {(one.actor_id, one.reason) for one in made} == {(colleague.pk, f"import {run.pk}")}
    assert Change.objects.count() > before
    assert not [one.pk for one in Change.objects.all() if "Nightingale" in one.reason + one.values]
    with pytest.raises(RuleBroken, match=f"by {colleague}"):
        begin(lead, centre, as_csv([PATIENTS, *people(1)]))


def test_a_loading_by_somebody_who_lost_the_role_since_writes_nothing(lead, centre):
    colleague = make.make_user(Role.CLINICAL_LEAD, centre)
    run = checked(lead, decided(lead, begin(lead, centre, as_csv([PATIENTS, *people(1)]))))
    run = imports.start_load(by=colleague, run=run, queue=False)
    colleague.memberships.all().delete()

    assert "Only a clinical lead can import" in carried_out(run).failure
    assert not Patient.objects.exists()


def test_who_lost_the_role_before_the_loading_loads_nothing(lead, centre):
    run = checked(lead, decided(lead, begin(lead, centre, as_csv([PATIENTS, *people()]))))
    run = imports.start_load(by=lead, run=run, queue=False)
    lead.memberships.update(role=Role.LAB_STAFF)
    carried_out(run)

    assert Patient.objects.count() == 0


def test_one_answer_for_every_row(lead, centre):
    patient = make.make_patient(centre, by=lead, local_identifier="HOSP-9")
    header = tuple(name for name in VISITS if name != "When")
    row = ("HOSP-9", "2024-06-01", "II", "35", "200", "120")
    take_in(lead, centre, as_csv([header, row]), "assessments", fixed={"kind": "follow_up"})

    assert Assessment.objects.get(patient=patient).kind == "follow_up"


def test_consents_by_their_own_kind(lead, centre):
    patient = make.make_patient(centre, by=lead, local_identifier="HOSP-9")
    content = as_csv([("Patient", "Consent to", "Given on"), (patient.code.lower(), "research", "2024-01-02")])
    take_in(lead, centre, content, "consents")

    assert Consent.objects.get(patient=patient).scope == "research"


def test_every_kind_has_words_and_targets():
    assert {"patients", "sessions", "assessments"} <= tables().keys()
    for kind in tables().values():
        names = [target.name for target in kind.targets()]
        labels = [target.label for target in kind.targets()]
        assert len(set(names)) == len(names)
        assert len(set(labels)) == len(labels), f"{kind.key}: two fields of one label cannot be told apart"
