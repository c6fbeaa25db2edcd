"""What an export takes, writes, records and refuses."""

import csv
import datetime as dt
import hashlib
import json
import stat

import pytest
from django.utils import timezone

from analytics.cohort import selection
from analytics.cohort.catalogue import TABLES
from analytics.models import CohortExport
from analytics.services.cohort_export import export_cohort
from registry.errors import AccessDenied, RuleBroken
from registry.models import Change, Role
from registry.trail.verify import faults
from tests import factories as make

pytestmark = pytest.mark.django_db
KEY = "an-invented-key-of-more-than-32-characters"


@pytest.fixture
def centre(db):
    return make.make_centre()


@pytest.fixture
def researcher(centre):
    return make.make_user(Role.RESEARCHER, centre)


def consented(centre, **values):
    patient = make.make_patient(centre, **values)
    make.make_consent(patient)
    return patient


def rows(folder, name):
    with (folder / name).open(encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


def test_only_patients_whose_research_consent_stands_today(centre, researcher, tmp_path):
    today = timezone.localdate()
    standing = consented(centre)
    make.make_patient(centre)
    make.make_consent(make.make_patient(centre), scope="registry")
    make.make_consent(make.make_patient(centre), withdrawn_on=today)
    make.make_consent(make.make_patient(centre), given_on=today + dt.timedelta(days=1))
    consented(make.make_centre())
    later = make.make_patient(centre)
    make.make_consent(later, withdrawn_on=today + dt.timedelta(days=1))

    export = export_cohort(by=researcher, centre=centre, out=tmp_path / "out", key=KEY)

    assert export.patients == len(rows(tmp_path / "out", "patients.csv")) == 2
    assert standing.pk != later.pk


def test_the_response_leaves_by_every_definition(centre, researcher, tmp_path):
    patient = consented(centre)
    make.end_session(make.make_session(patient))
    make.make_assessment(patient, lvesv_ml=180, lvef_percent=25, nyha_class=3)
    make.make_assessment(
        patient,
        kind="follow_up",
        assessed_on="2024-09-01",
        lvesv_ml=150,
        nyha_class=2,
        global_assessment="slightly_better",
    )

    export_cohort(by=researcher, centre=centre, out=tmp_path / "out", key=KEY)

    told = {row["definition"]: row for row in rows(tmp_path / "out", "responses.csv")}
    assert {name: row["verdict"] for name, row in told.items()} == {
        "LVESV": "responder",
        "LVEF": "not_assessable",
        "Clinical composite": "improved",
    }
    assert "No LVEF between" in told["LVEF"]["not_assessable_because"]


def test_who_took_back_the_registry_consent_is_in_no_export(centre, researcher, tmp_path):
    today = timezone.localdate()
    gone, back = consented(centre), consented(centre)
    for patient in (gone, back):
        make.make_consent(patient, scope="registry", given_on="2024-01-05", withdrawn_on=today)
    make.make_consent(back, scope="registry", given_on=today)

    export = export_cohort(by=researcher, centre=centre, out=tmp_path / "out", key=KEY)

    assert export.patients == 1


def test_a_year_takes_its_sessions_and_their_patients(centre, researcher, tmp_path):
    one, other = consented(centre), consented(centre)
    for patient, year in ((one, 2023), (one, 2024), (other, 2024)):
        started = dt.datetime(year, 5, 1, 9, tzinfo=dt.UTC)
        session = make.make_session(patient, started_at=started, outcome="lv_lead_implanted")
        make.make_epoch(session, make.make_site(make.make_tributary(session)))

    export = export_cohort(by=researcher, centre=centre, out=tmp_path / "out", key=KEY, year=2023)

    folder = tmp_path / "out"
    assert (export.patients, export.sessions) == (1, 1)
    for name in ("patients.csv", "sessions.csv", "sites.csv", "epochs.csv", "lvesv_responses.csv"):
        assert len(rows(folder, name)) == 1, name
    assert "The year of the sessions is known" in (folder / "README.txt").read_text(encoding="utf-8")


def test_manifest_names_every_file_with_its_rows_and_hash(centre, researcher, tmp_path):
    make.make_session(consented(centre))

    export = export_cohort(by=researcher, centre=centre, out=tmp_path / "out", key=KEY)

    folder = tmp_path / "out"
    manifest = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    assert {path.name for path in folder.iterdir()} == {*manifest["files"], "manifest.json"}
    for name, told in manifest["files"].items():
        assert hashlib.sha256((folder / name).read_bytes()).hexdigest() == told["sha256"]
        assert name == "README.txt" or len(rows(folder, name)) == told["rows"]
    assert hashlib.sha256((folder / "manifest.json").read_bytes()).hexdigest() == export.manifest_sha256
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700


def test_data_dictionary_describes_every_column_in_order(centre, researcher, tmp_path):
    make.make_session(consented(centre))
    export_cohort(by=researcher, centre=centre, out=tmp_path / "out", key=KEY)

    described: dict[str, list[str]] = {}
    for line in rows(tmp_path / "out", "data_dictionary.csv"):
        described.setdefault(line["file"], []).append(line["column"])
        assert line["label"]
        assert line["type"]
        assert line["source"]
    headers = {
        table.file: (tmp_path / "out" / table.file).read_text(encoding="utf-8").splitlines()[0].split(",")
        for table in TABLES
    }
    assert described == headers


def test_numbers_carry_ucum_units():
    units = {(table.name, column.name): column.unit for table in TABLES for column in table.columns}

    assert units["assessments", "nt_probnp_pg_per_ml"] == "pg/mL"
    assert units["assessments", "six_minute_walk_m"] == "m"
    assert units["assessments", "systolic_mmhg"] == "mm[Hg]"
    assert units["sessions", "dose_area_product_gy_cm2"] == "Gy.cm2"
    assert units["lead_measurements", "sensed_r_wave_mv"] == "mV"
    assert units["lead_measurements", "capture_threshold_v"] == "V"
    assert units["lead_measurements", "impedance_ohm"] == "Ohm"
    assert units["epochs", "rate_per_min"] == "/min"
    assert units["acute_responses", "change_percent"] == "%"
    unitless = {"mean", "sd", "standard_error"}  # in the metric's unit, which metrics.csv gives
    unitless |= {"quality_of_life_score"}  # the instrument stands beside it
    unitless |= {"probability_best", "probability_better_than_baseline"}  # plain fractions
    assert {
        column.name for table in TABLES for column in table.columns if column.type == "number" and not column.unit
    } == unitless


def test_a_second_export_with_the_same_key_is_the_same(centre, researcher, tmp_path, monkeypatch):
    for _ in range(3):
        make.make_session(consented(centre))
    first = export_cohort(by=researcher, centre=centre, out=tmp_path / "a", key=KEY)
    monkeypatch.setattr(selection, "CHUNK", 1)  # patients one by one make the same files
    second = export_cohort(by=researcher, centre=centre, out=tmp_path / "b", key=KEY)
    other = export_cohort(by=researcher, centre=centre, out=tmp_path / "c", key=KEY[::-1])

    assert first.manifest_sha256 == second.manifest_sha256
    pseudonyms = [[row["patient"] for row in rows(tmp_path / name, "patients.csv")] for name in "abc"]
    assert pseudonyms[0] == sorted(pseudonyms[0]) == pseudonyms[1]
    assert not set(pseudonyms[0]) & set(pseudonyms[2])
    assert first.key_fingerprint != other.key_fingerprint


def test_the_queries_do_not_grow_with_the_patients(centre, researcher, tmp_path, django_assert_max_num_queries):
    by = make.writer_of(centre)
    for _ in range(10):
        patient = make.make_patient(centre, by=by)
        make.make_consent(patient, by=by)
        make.make_session(patient, by=by)
    with django_assert_max_num_queries(45):
        export_cohort(by=researcher, centre=centre, out=tmp_path / "out", key=KEY)


def test_the_export_is_recorded_in_the_change_trail(centre, researcher, tmp_path):
    consented(centre)

    export = export_cohort(by=researcher, centre=centre, out=tmp_path / "out", key=KEY)

    line = Change.objects.get(record_type="analytics.cohortexport")
    assert (line.record_id, line.actor_id, line.action) == (export.pk, researcher.pk, "created")
    assert export.manifest_sha256 in line.values
    assert list(faults()) == []


@pytest.mark.parametrize("role", [Role.LAB_STAFF, Role.PHYSICIAN, Role.ADMINISTRATOR, None])
def test_other_roles_are_refused_and_nothing_is_written(centre, tmp_path, role):
    consented(centre)

    with pytest.raises(AccessDenied, match="cannot export cohorts"):
        export_cohort(by=make.make_user(role, centre), centre=centre, out=tmp_path / "out", key=KEY)

    assert list(tmp_path.iterdir()) == []


def test_a_researcher_of_another_centre_is_refused(centre, tmp_path):
    with pytest.raises(AccessDenied):
        export_cohort(by=make.make_user(Role.RESEARCHER), centre=centre, out=tmp_path / "out", key=KEY)


def test_a_folder_that_is_not_empty_is_never_overwritten(centre, researcher, tmp_path):
    consented(centre)
    (tmp_path / "kept.csv").write_text("kept")

    with pytest.raises(RuleBroken, match="an export never overwrites"):
        export_cohort(by=researcher, centre=centre, out=tmp_path, key=KEY)

    assert (tmp_path / "kept.csv").read_text() == "kept"
    assert not CohortExport.objects.exists()


def test_an_empty_folder_is_filled(centre, researcher, tmp_path):
    consented(centre)
    (tmp_path / "out").mkdir()

    export_cohort(by=researcher, centre=centre, out=tmp_path / "out", key=KEY)

    assert (tmp_path / "out" / "manifest.json").exists()


def test_an_empty_cohort_is_refused(centre, researcher, tmp_path):
    make.make_patient(centre)

    with pytest.raises(RuleBroken, match="has a valid research consent today"):
        export_cohort(by=researcher, centre=centre, out=tmp_path / "out", key=KEY)

    assert list(tmp_path.iterdir()) == []


def test_a_failure_in_the_middle_leaves_nothing(centre, researcher, tmp_path, monkeypatch):
    consented(centre)

    def fail(*args, **options):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("analytics.cohort.writing.sha256_of", fail)
    with pytest.raises(RuleBroken, match="No space left on device"):
        export_cohort(by=researcher, centre=centre, out=tmp_path / "out", key=KEY)

    assert list(tmp_path.iterdir()) == []
    assert not CohortExport.objects.exists()


def test_a_folder_filled_meanwhile_takes_the_record_back(centre, researcher, tmp_path, monkeypatch):
    consented(centre)
    from analytics.services import cohort_export as service

    write = service.write_files

    def slowly(*args, **options):
        digest = write(*args, **options)
        (tmp_path / "out").mkdir()
        (tmp_path / "out" / "theirs").write_text("theirs")
        return digest

    monkeypatch.setattr(service, "write_files", slowly)
    with pytest.raises(RuleBroken, match="could not be written"):
        export_cohort(by=researcher, centre=centre, out=tmp_path / "out", key=KEY)

    assert [path.name for path in tmp_path.rglob("*")] == ["out", "theirs"]
    assert not CohortExport.objects.exists()


@pytest.mark.django_db(transaction=True)
def test_an_export_in_its_own_transactions_is_written_and_recorded(tmp_path):
    """The other tests run inside one transaction; this one commits, as the command does."""
    centre = make.make_centre()
    make.make_session(consented(centre))

    export = export_cohort(by=make.make_user(Role.RESEARCHER, centre), centre=centre, out=tmp_path / "out", key=KEY)

    assert CohortExport.objects.get().manifest_sha256 == export.manifest_sha256
    assert len(rows(tmp_path / "out", "sessions.csv")) == 1
    assert list(faults()) == []
