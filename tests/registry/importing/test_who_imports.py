"""Who may import, under whose name it is stored, and what of the file can be read afterwards."""

from __future__ import annotations

import pytest
from django.db import connection

from registry.errors import AccessDenied, RuleBroken
from registry.models import (
    Change,
    ImportPiece,
    Patient,
    Role,
)
from registry.services import imports
from tests import factories as make
from tests.registry.importing.tables import (
    PATIENTS,
    as_csv,
    begin,
    carried_out,
    checked,
    decided,
    loaded,
    people,
    take_in,
)
from tests.revealing import clear_text, revealed

pytestmark = pytest.mark.django_db


def test_nothing_of_the_file_is_readable_in_the_database_and_it_goes_when_loaded(lead, centre):
    run = checked(
        lead, decided(lead, begin(lead, centre, as_csv([PATIENTS, *people(), ("", "Adler9", "x", "Adler8", "", "")])))
    )
    assert run.problems
    with connection.cursor() as cursor:
        for table in ("registry_tableimport", "registry_importpiece", "registry_change"):
            cursor.execute(f"SELECT * FROM {table}")  # noqa: S608 - names of ours
            assert "Adler" not in repr(cursor.fetchall())
    assert ImportPiece.objects.exists()

    imports.discard_import(by=lead, run=run)
    assert not ImportPiece.objects.exists()
    take_in(lead, centre, as_csv([PATIENTS, *people()]))
    assert not ImportPiece.objects.exists()


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
    assert {(one.actor_id, revealed(one)["reason"]) for one in made} == {(colleague.pk, f"import {run.pk}")}
    assert Change.objects.count() > before
    assert not [one.pk for one in Change.objects.all() if "Nightingale" in clear_text(one)]
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
