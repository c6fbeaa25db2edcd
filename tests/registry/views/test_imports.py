"""The pages of an import: from the upload to the patients, wrong input, other people's imports, the findings."""

from __future__ import annotations

import datetime as dt

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from django.utils import timezone

from registry.models import ImportRun, ImportState, Patient, Role, TableImport, new_key
from tests import factories as make
from tests.registry.importing.tables import PATIENTS, as_csv, begin, checked, decided, saved, workbook

pytestmark = pytest.mark.django_db
ROW = ("N-1", "Adler", "Eva", "03/04/1950", "f", "ischaemic")


@pytest.fixture(autouse=True)
def worked_at_once(monkeypatch):
    """Do the work where it is queued; a test's transaction never commits."""
    monkeypatch.setattr("django.db.transaction.on_commit", lambda work, **_: work())


@pytest.fixture
def centre():
    return make.make_centre()


@pytest.fixture
def lead(centre, client):
    by = make.make_user(Role.CLINICAL_LEAD, centre)
    client.force_login(by)
    return by


def upload(client, centre, content: bytes, name: str = "people.csv", **values):
    data = {
        "key": new_key(),
        "centre": centre.pk,
        "kind": "patients",
        "encoding": "utf-8",
        "separator": "",
        "file": SimpleUploadedFile(name, content),
    } | values
    return client.post(reverse("imports:new"), data)


def columns_posted(client, run) -> dict:
    """Return the form as the page proposes it."""
    form = client.get(reverse("imports:columns", args=[run.pk])).context["form"]
    return {name: form[name].initial or "" for name in form.fields if name != "leave_out_stored"}


def test_from_the_upload_to_the_patients(client, lead, centre):
    answer = upload(client, centre, as_csv([PATIENTS, ROW]))
    run = TableImport.objects.get()
    assert answer.url == reverse("imports:columns", args=[run.pk])

    page = client.get(answer.url).content.decode()
    assert "Adler" in page, "the first rows are shown"
    answer = client.post(answer.url, columns_posted(client, run))
    assert answer.url == reverse("imports:questions", args=[run.pk])

    page = client.get(answer.url).content.decode()
    assert "could be two different dates" in page
    assert "Choose one answer" not in page
    refused = client.post(answer.url, {"question0": "dmy"})
    assert refused.status_code == 422
    answer = client.post(answer.url, {"question0": "dmy", "question1": "female"})
    assert answer.url == reverse("imports:show", args=[run.pk])

    assert "Load 1 row" in client.get(answer.url).content.decode()
    client.post(reverse("imports:load", args=[run.pk]))
    patient = Patient.objects.get()
    assert (patient.identity.birth_date, patient.sex) == ("1950-04-03", "female")
    assert "1 rows" in client.get(answer.url).content.decode()
    assert client.get(reverse("imports:columns", args=[run.pk])).url == answer.url


def test_what_was_decided_last_time_is_proposed_and_nothing_near(client, lead, centre):
    header = ("Nr.", "Family", *PATIENTS[2:])
    first = ("N-1", "Adler", "Eva", "1950-03-27", "female", "ischaemic")
    run = begin(lead, centre, as_csv([header, first]))
    assert columns_posted(client, run)["family_name"] == "", "'Family' is near, not the same"
    run = decided(lead, run, columns={"local_identifier": "Nr.", "family_name": "Family"})
    run = checked(lead, run)
    client.post(reverse("imports:load", args=[run.pk]))

    again = begin(lead, centre, as_csv([header, ("N-2", *first[1:])]))
    posted = columns_posted(client, again)
    assert (posted["local_identifier"], posted["family_name"]) == ("Nr.", "Family")
    assert f"by {lead}" in client.get(reverse("imports:columns", args=[again.pk])).content.decode()


def test_a_file_that_cannot_be_read_is_told_beside_the_field(client, lead, centre):
    answer = upload(client, centre, b"%PDF-1.7")
    assert answer.status_code == 422
    assert "The file is neither CSV nor XLSX." in answer.content.decode()
    for name, content in (("empty.csv", b""), ("none", None)):
        values = {} if content is not None else {"file": ""}
        answer = upload(client, centre, content or b"", name, **values)
        assert answer.status_code == 422
    assert not TableImport.objects.exists()


def test_several_sheets_are_asked_for_first(client, lead, centre):
    book = workbook([PATIENTS, ROW], "2023")
    sheet = book.create_sheet("2024")
    sheet.append(list(PATIENTS))
    sheet.append(list(ROW))
    upload(client, centre, saved(book), "people.xlsx")
    run = TableImport.objects.get()
    where = reverse("imports:columns", args=[run.pk])
    assert "Which sheet contains the patients?" in client.get(where).content.decode()
    assert client.post(where, {"sheet": "none"}).status_code == 422
    assert client.post(where, {"sheet": "2024"}).url == where
    assert "Match the columns" in client.get(where).content.decode()


def test_findings_page_by_page_and_as_a_table_without_formulas(client, lead, centre):
    rows = [(f"N-{n}", "A", "B", '=HYPERLINK("x")', "female", "ischaemic") for n in range(250)]
    run = checked(lead, decided(lead, begin(lead, centre, as_csv([PATIENTS, *rows]))))
    where = reverse("imports:show", args=[run.pk])

    for asked, shown in (("1", "row 1"), ("5", "Page 5 of 5"), ("99", "Page 5 of 5"), ("x", "Page 1 of 5")):
        page = client.get(where, {"page": asked}).content.decode()
        assert page.count('class="mark alert"') == 50, shown
    assert "Load" not in page
    answer = client.get(reverse("imports:findings", args=[run.pk]))
    lines = b"".join(answer.streaming_content).decode("utf-8-sig").splitlines()
    assert len(lines) == 251
    assert lines[1].startswith("2,D,Birth date,problem,")
    assert client.post(reverse("imports:load", args=[run.pk])).status_code == 422


def test_a_column_name_that_is_a_formula_is_made_harmless(client, lead, centre):
    header = (*PATIENTS[:3], "=cmd|' /C calc'!A0", *PATIENTS[4:])
    run = begin(lead, centre, as_csv([header, ("N-1", "A", "B", "never", "female", "ischaemic")]))
    run = checked(lead, decided(lead, run, columns={"birth_date": header[3]}))
    answer = client.get(reverse("imports:findings", args=[run.pk]))

    assert b"2,D,'=cmd|" in b"".join(answer.streaming_content)


def test_cancel_and_throw_away(client, lead, centre):
    run = begin(lead, centre, as_csv([PATIENTS, ROW]))
    client.post(reverse("imports:cancel", args=[run.pk]))
    client.post(reverse("imports:discard", args=[run.pk]))
    run.refresh_from_db()

    assert run.state == ImportState.DISCARDED
    assert client.post(reverse("imports:discard", args=[run.pk])).status_code == 422


def test_progress_is_told_and_the_page_reloads_at_the_end(client, lead, centre):
    run = begin(lead, centre, as_csv([PATIENTS, ROW]))
    held = {"token": new_key(), "lease_until": timezone.now(), "state": "running"}
    ImportRun.objects.create(table_import=run, task="check", step="Checking, row 7", progress_percent=40, **held)
    where = reverse("imports:progress", args=[run.pk])

    told = client.get(where, headers={"HX-Request": "true"})
    assert "Checking, row 7" in told.content.decode()
    assert "HX-Refresh" not in told
    assert "Dry run under way" in client.get(reverse("imports:list")).content.decode()
    ImportRun.objects.update(state="done")
    assert client.get(where, headers={"HX-Request": "true"})["HX-Refresh"] == "true"


@pytest.mark.parametrize("role", Role.values)
def test_pages_by_role_and_centre(client, centre, role):
    lead = make.make_user(Role.CLINICAL_LEAD, centre)
    run = checked(lead, decided(lead, begin(lead, centre, as_csv([PATIENTS, ("N", "A", "B", "x", "male", "unknown")]))))
    named = ("show", "columns", "questions", "progress", "findings")
    own, other = make.make_user(role, centre), make.make_user(role)

    for user, found in ((own, role == Role.CLINICAL_LEAD), (other, False)):
        client.force_login(user)
        for name in named:
            status = client.get(reverse(f"imports:{name}", args=[run.pk])).status_code
            assert status in ((200, 302) if found else (404,)), name
        for name in ("load", "cancel", "discard"):
            if not found:
                assert client.post(reverse(f"imports:{name}", args=[run.pk])).status_code == 404
        for name in ("list", "new"):
            status = client.get(reverse(f"imports:{name}")).status_code
            assert status == (200 if role == Role.CLINICAL_LEAD else 403)


def test_the_list_pages_and_costs_a_fixed_number_of_queries(client, lead, centre, django_assert_max_num_queries):
    for number in range(60):
        TableImport.objects.create(
            centre=centre,
            kind="patients",
            uploaded_by=lead,
            original_name=f"t{number}.csv",
            sha256=f"{number:064d}",
            size_bytes=1,
            encoding="utf-8",
        )
    with django_assert_max_num_queries(14):
        page = client.get(reverse("imports:list")).content.decode()
    assert page.count("<tr>") == 51
    assert "Page 1 of 2" in page


CLEAR = ("N-1", "Adler", "Eva", "1950-04-03", "female", "unknown")


def test_a_dry_run_that_failed_says_why_and_is_made_again_from_its_page(client, lead, centre):
    run = decided(lead, begin(lead, centre, as_csv([PATIENTS, CLEAR])))
    ImportRun.objects.create(table_import=run, task="check", state="failed", failure="The store was away.")
    page = client.get(reverse("imports:show", args=[run.pk])).content.decode()
    assert "The store was away." in page
    assert "Repeat the dry run" in page

    client.post(reverse("imports:again", args=[run.pk]))
    run.refresh_from_db()
    assert run.state == ImportState.CHECKED
    page = client.get(reverse("imports:show", args=[run.pk])).content.decode()
    assert "The store was away." not in page
    assert "Load 1 row" in page


def test_an_import_that_waits_for_another_try_says_when_and_starts_at_once_by_the_button(client, lead, centre):
    run = decided(lead, begin(lead, centre, as_csv([PATIENTS, CLEAR])))
    soon = {"failure": "The store was away.", "next_try_at": timezone.now() + dt.timedelta(minutes=1)}
    ImportRun.objects.create(table_import=run, task="check", **soon)
    page = client.get(reverse("imports:show", args=[run.pk])).content.decode()
    assert "The last attempt failed: The store was away. It starts again at" in page
    assert "Start now" in page

    client.post(reverse("imports:again", args=[run.pk]))
    run.refresh_from_db()
    assert (run.state, run.runs.count()) == (ImportState.CHECKED, 1)


def test_queue_that_is_down_fails_no_import(client, lead, centre, queue_down):
    run = decided(lead, begin(lead, centre, as_csv([PATIENTS, CLEAR])))
    answer = client.post(reverse("imports:again", args=[run.pk]), follow=True)
    assert answer.status_code == 200
    assert "waiting to start" in answer.content.decode()
    assert run.runs.get().sent_at is None
