"""Running codes: odd codes stop nobody, a code is given once, and no list of codes is read to give one."""

from __future__ import annotations

import importlib
from concurrent.futures import ThreadPoolExecutor

import pytest
from django.apps import apps
from django.db import connection
from django.test.utils import CaptureQueriesContext

from registry.models import CodeCounter, Patient, Role
from registry.numbers.running import series_and_number
from registry.services.merging import merge_patients
from tests import factories as make
from tests.registry.importing import tables

MIGRATION = "procedures.migrations.0012_session_code_counters"
ODD = ["P-K17", "P-²", "P-٤٢", "P-0042b", "P-", "P", "P-12345678901234567", "P--5", "P-1_0", "P-²²"]


@pytest.mark.parametrize("code", ODD)
@pytest.mark.django_db
def test_an_odd_code_stops_no_later_registration(code):
    first = make.make_patient(code=code)
    codes = [make.make_patient(first.centre).code for _ in range(2)]

    assert codes == ["P-0001", "P-0002"]


@pytest.mark.parametrize("odd", ["S-2026-0042b", "S-2026-²", "S-2026-", "S-2026-00042x"])
@pytest.mark.django_db
def test_an_odd_session_code_stops_no_later_session_of_the_year(odd):
    first = make.make_session(code=odd)
    year = first.started_at.year
    second = make.make_session(make.make_patient(first.patient.centre))

    assert second.code == f"S-{year}-0001"


@pytest.mark.django_db
def test_codes_go_on_from_one_that_was_brought_along():
    centre = make.make_patient(code="P-0500").centre

    assert make.make_patient(centre).code == "P-0501"
    assert make.make_patient(centre, code="P-0077").code == "P-0077"
    assert make.make_patient(centre).code == "P-0502"


@pytest.mark.django_db
def test_codes_that_exist_beside_the_counter_are_skipped():
    centre = make.make_patient().centre
    for number in range(2, 40):
        make.make_patient(centre, code=f"P-{number:04d}")
    CodeCounter.objects.filter(series="P-").update(last_number=1)

    assert make.make_patient(centre).code == "P-0040"
    assert CodeCounter.objects.get(centre=centre, series="P-").last_number == 40


@pytest.mark.django_db
def test_a_merged_code_stays_taken():
    kept = make.make_patient()
    merged = make.make_patient(kept.centre)
    lead = make.make_user(Role.CLINICAL_LEAD, kept.centre)
    merge_patients(by=lead, kept=kept, merged=merged, reason="the same person")
    CodeCounter.objects.all().delete()

    assert make.make_patient(kept.centre).code == "P-0003"


@pytest.mark.django_db
def test_each_centre_counts_for_itself():
    make.make_patient(code="P-0500")

    assert make.make_patient(make.make_centre()).code == "P-0001"


@pytest.mark.django_db
def test_giving_a_code_reads_no_list_of_codes():
    centre = make.make_patient().centre
    by = make.writer_of(centre)
    with CaptureQueriesContext(
        connection,
    ) as few:
        make.make_patient(centre, by=by)
    for _ in range(30):
        make.make_patient(centre, by=by)
    with CaptureQueriesContext(connection) as many:
        make.make_patient(centre, by=by)

    assert len(many) == len(few)
    asked = [one["sql"] for one in many if '"registry_patient' in one["sql"] and one["sql"].startswith("SELECT")]
    assert asked
    assert all(" IN (" in sql or "LIMIT" in sql or '"id" = ' in sql for sql in asked), asked


@pytest.mark.parametrize("odd", ["P-²", "P-K17", "P-٤٢"])
@pytest.mark.django_db
def test_an_odd_code_stops_no_import(odd):
    centre = make.make_patient(code=odd).centre
    by = make.make_user(Role.CLINICAL_LEAD, centre)
    rows = [tables.PATIENTS, *((f"N-{n}", "Muster", "Eva", "1950-01-02", "female", "ischaemic") for n in (1, 2))]
    run = tables.loaded(by, tables.checked(by, tables.decided(by, tables.begin(by, centre, tables.as_csv(rows)))))

    assert not run.runs.exclude(failure="").exists()
    assert set(Patient.objects.values_list("code", flat=True)) == {odd, "P-0001", "P-0002"}
    assert make.make_patient(centre).code == "P-0003"


@pytest.mark.django_db
def test_an_import_that_brings_codes_moves_the_counter_on():
    centre = make.make_patient(code="P-0003").centre
    by = make.make_user(Role.CLINICAL_LEAD, centre)
    rows = [
        (*tables.PATIENTS, "Patient's code"),
        ("N-1", "Muster", "Eva", "1950-01-02", "female", "ischaemic", "P-0009"),
        ("N-2", "Muster", "Ada", "1950-01-03", "female", "ischaemic", ""),
        ("N-3", "Muster", "Ina", "1950-01-04", "female", "ischaemic", "P-K17"),
    ]
    plan = {"columns": {"code": "Patient's code"}}
    run = tables.decided(by, tables.begin(by, centre, tables.as_csv(rows)), **plan)
    run = tables.loaded(by, tables.checked(by, run))

    assert not run.runs.exclude(failure="").exists()
    assert set(Patient.objects.values_list("code", flat=True)) == {"P-0003", "P-0009", "P-0010", "P-K17"}
    assert make.make_patient(centre).code == "P-0011"


@pytest.mark.django_db
def test_a_refused_registration_takes_no_code():
    patient = make.make_patient(local_identifier="N-1")
    with pytest.raises(Exception, match="already registered"):
        make.make_patient(patient.centre, local_identifier="N-1")

    assert make.make_patient(patient.centre).code == "P-0002"


@pytest.mark.django_db(transaction=True)
def test_registrations_at_the_same_moment_get_different_codes(on_postgresql):
    if not on_postgresql:
        pytest.skip("SQLite lets one transaction write at a time")
    centre = make.make_patient().centre
    by = make.writer_of(centre)

    def register(number):
        try:
            patient = make.make_patient(centre, by=by, local_identifier=f"N-{number}")
            return patient.code, make.make_session(patient, by=by).code
        finally:
            connection.close()

    with ThreadPoolExecutor(4) as pool:
        pairs = list(pool.map(register, range(12)))

    assert {code for code, _ in pairs} == {f"P-{number:04d}" for number in range(2, 14)}
    assert {code[-4:] for _, code in pairs} == {f"{number:04d}" for number in range(1, 13)}


@pytest.mark.django_db
def test_the_counters_of_a_registry_in_use_start_where_its_codes_stand():
    centre = make.make_patient(code="P-0042").centre
    for code in ("P-K17", "P-²", "P-99999999"):
        make.make_patient(centre, code=code)
    patient = make.make_patient(centre)
    for code in ("S-2026-0042b", "S-2026-0007", "S-2025-0300", "S-0022"):
        make.make_session(patient, code=code)
    CodeCounter.objects.all().delete()

    importlib.import_module("registry.migrations.0012_code_counters").seed(apps, None)
    importlib.import_module(MIGRATION).seed(apps, None)

    found = dict(CodeCounter.objects.filter(centre=centre).values_list("series", "last_number"))
    assert found == {"P-": 43, "S-2026-": 7, "S-2025-": 300}


@pytest.mark.parametrize(
    ("code", "read"),
    [
        ("P-0042", ("P-", 42)),
        ("P-7", ("P-", 7)),
        ("P-²", None),
        ("P-٤٢", None),
        ("P-0042b", None),
        ("Q-0042", None),
        ("P-1234567", None),
        ("P-0042\n", None),
        (" P-0042", None),
    ],
)
def test_a_running_code_is_read_by_one_rule(code, read):
    assert series_and_number(code, "P-") == read
