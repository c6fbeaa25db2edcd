"""The command that imports a table: what it prints, what it refuses in a sentence."""

from __future__ import annotations

from io import StringIO

import pytest
from django.core.management import call_command
from django.core.management.base import CommandError

from registry.models import Assessment, Patient, Role
from tests import factories as make
from tests.registry.importing.tables import PATIENTS, as_csv, as_xlsx, counts

pytestmark = pytest.mark.django_db


@pytest.fixture
def lead():
    return make.make_user(Role.CLINICAL_LEAD, make.make_centre())


def run(lead, path, *arguments, kind="patients"):
    out, err = StringIO(), StringIO()
    centre = lead.memberships.get().centre.code
    call_command(
        "import_table",
        str(path),
        "--kind",
        kind,
        "--centre",
        centre,
        "--by",
        lead.username,
        *arguments,
        stdout=out,
        stderr=err,
    )
    return out.getvalue(), err.getvalue()


def test_dry_run_then_load(lead, tmp_path):
    path = tmp_path / "people.xlsx"
    path.write_bytes(as_xlsx([PATIENTS, ("N-1", "Adler", "Eva", "1950-03-27", "f", "ischaemic")]))
    words = ("--map-by-name", "--word", "sex:F=female")
    before = counts()

    assert run(lead, path, *words, "--dry-run")[0] == "1 rows can be loaded; nothing was written.\n"
    assert counts() == before
    assert run(lead, path, *words)[0].startswith("1 rows loaded")
    assert Patient.objects.get().sex == "female"
    with pytest.raises(CommandError, match="already loaded"):
        run(lead, path, *words)


def test_columns_units_and_one_answer_for_all(lead, tmp_path):
    patient = make.make_patient(lead.memberships.get().centre, by=lead)
    path = tmp_path / "visits.csv"
    path.write_bytes(as_csv([("who", "seen", "bnp"), (patient.code, "03/04/2024", "100")]))
    options = ["--map", "patient_code=who", "--map", "assessed_on=seen", "--map", "nt_probnp_pg_per_ml=bnp"]
    options += ["--same", "kind=follow_up", "--unit", "nt_probnp_pg_per_ml=pmol/L", "--date-order", "dmy"]
    run(lead, path, *options, kind="assessments")

    stored = Assessment.objects.get()
    assert (stored.assessed_on.isoformat(), stored.nt_probnp_pg_per_ml) == ("2024-04-03", 845.7)


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["--map", "family_name"], "'family_name' is not in the form --map FIELD=COLUMN."),
        (["--map", "ghost=Sex"], "'ghost' is not a field of patients."),
        (["--map-by-name", "--map", "sex=Gender"], "Sex: there is no column 'Gender'."),
        (["--map-by-name", "--unit", "sex=kg"], "--unit sex=kg: the units of this field are: none."),
        (["--map-by-name", "--word", "sex:F=lady"], "'lady' is not one of its values"),
        (["--map-by-name", "--date-order", "ymd"], "--date-order is one of dmy mdy."),
        (["--map-by-name", "--sheet", "x", "--encoding", "ebcdic"], "The encodings are utf-8, windows-1252"),
        (["--map-by-name"], "Choose which it is."),
        ([], "Hospital number: choose its column."),
    ],
)
def test_wrong_arguments_end_in_a_sentence(lead, tmp_path, arguments, sentence):
    path = tmp_path / "people.csv"
    path.write_bytes(as_csv([PATIENTS, ("N-1", "Adler", "Eva", "03/04/1950", "female", "ischaemic")]))
    before = counts()

    with pytest.raises(CommandError) as told:
        run(lead, path, *arguments)

    assert sentence in str(told.value)
    assert told.value.returncode == 2
    assert counts() == before


def test_problems_are_listed_by_row_and_column(lead, tmp_path):
    path = tmp_path / "people.csv"
    path.write_bytes(as_csv([PATIENTS, *[("", "Adler", "Eva", "1950-03-27", "female", "ischaemic")] * 30]))
    err = StringIO()
    centre = lead.memberships.get().centre.code
    options = ["--kind=patients", "--centre", centre, "--by", lead.username, "--map-by-name"]
    with pytest.raises(CommandError, match="30 problems in 30 rows; nothing was written"):
        call_command("import_table", str(path), *options, stderr=err)

    lines = err.getvalue().splitlines()
    assert lines[0] == "row 2, column A (Hospital number): problem: is empty"
    assert lines[-1].startswith("… 10 more")


def test_a_missing_file_and_an_unknown_centre(lead, tmp_path):
    with pytest.raises(CommandError, match="cannot be read: No such file"):
        run(lead, tmp_path / "none.csv")
    with pytest.raises(CommandError, match="There is no centre 'nowhere'"):
        call_command("import_table", "x.csv", "--kind=patients", "--centre=nowhere", "--by", lead.username)
