"""A table that is right: what is stored, and what the trail says."""

from __future__ import annotations

import datetime as dt
import json
import re

import pytest

from procedures.models import Session
from registry.described.kind import tables
from registry.importing.plan import questions
from registry.models import (
    Assessment,
    Change,
    Consent,
    ImportState,
    Patient,
    PatientIdentity,
    Role,
)
from registry.selectors.imports import look_of, plan_of, scan_of, table_kind_of
from registry.services import imports
from registry.trail.verify import faults
from tests import factories as make
from tests.registry.importing.tables import (
    FORMATS,
    PATIENTS,
    VISITS,
    as_csv,
    begin,
    checked,
    decided,
    findings,
    loaded,
    people,
    saved,
    take_in,
    workbook,
)
from tests.revealing import for_reason, revealed

pytestmark = pytest.mark.django_db


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
    lines = for_reason("import ")
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
        held = {name: held for name, held in revealed(change).items() if name != "reason"}
        values = json.dumps(held).replace(str(patient.pk), "KEY").replace(patient.code, "CODE")
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
    asked = questions(table_kind_of(run), plan_of(run), scan_of(run))
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
    assert look_of(run)["notes"] == ["The hidden sheet 'old' is left out."]
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
