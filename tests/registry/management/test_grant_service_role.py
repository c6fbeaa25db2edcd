"""The role that serves cannot switch the trail's triggers off, empty, alter or rewrite it; it can do its work."""

from __future__ import annotations

import secrets
from collections.abc import Iterator

import pytest
from django.core.management import CommandError, call_command
from django.db import ProgrammingError, connection, transaction

from registry.management.commands.grant_service_role import PASSWORD
from registry.models import Change
from registry.services.people import rename
from registry.trail.verify import faults
from tests import factories as make

pytestmark = pytest.mark.django_db
TRAIL = ("registry_change", "registry_look", "registry_trailhead")


@pytest.fixture
def role(on_postgresql: bool, monkeypatch: pytest.MonkeyPatch) -> str:
    """Name a role that the command makes; it goes with the test's transaction."""
    if not on_postgresql:
        pytest.skip("only PostgreSQL has roles")
    monkeypatch.setenv(PASSWORD, "it's a secret")
    return f"test_serving_{secrets.token_hex(4)}"


@pytest.fixture
def serving(role: str) -> Iterator[str]:
    """Work as the serving role."""
    make.make_session()
    call_command("grant_service_role", role, verbosity=0)
    with connection.cursor() as cursor:
        cursor.execute(f"SET LOCAL ROLE {role}")
    yield role
    with connection.cursor() as cursor:
        cursor.execute("RESET ROLE")


def refused(statement: str) -> str:
    """Return what the database answers to a statement that it refuses."""
    with pytest.raises(ProgrammingError) as error, transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(statement)
    return str(error.value)


@pytest.mark.parametrize("table", TRAIL)
@pytest.mark.parametrize(
    "statement",
    [
        "ALTER TABLE {table} DISABLE TRIGGER USER",
        "ALTER TABLE {table} ADD COLUMN more text",
        "TRUNCATE {table} CASCADE",
        "DROP TABLE {table} CASCADE",
        "DELETE FROM {table}",
        "CREATE TRIGGER more BEFORE INSERT ON {table} FOR EACH ROW EXECUTE FUNCTION registry_change_refuse()",
    ],
)
def test_serving_role_cannot_take_the_trail_apart(serving: str, table: str, statement: str) -> None:
    said = refused(statement.format(table=table))
    assert "permission denied" in said or "must be owner" in said


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE registry_change SET actor_name = 'x'",
        "UPDATE registry_look SET user_name = 'x'",
        "SET session_replication_role = replica",
        "CREATE OR REPLACE FUNCTION registry_change_refuse() RETURNS trigger LANGUAGE plpgsql AS "
        "$$ BEGIN RETURN NEW; END $$",
        "CREATE TABLE more (id int)",
        "TRUNCATE registry_patient CASCADE",
        "ALTER TABLE registry_patient ADD COLUMN more text",
        "INSERT INTO django_migrations (app, name, applied) VALUES ('x', 'x', now())",
    ],
)
def test_serving_role_cannot_reach_round_the_triggers(serving: str, statement: str) -> None:
    said = refused(statement)
    assert "permission denied" in said or "must be owner" in said


def test_serving_role_does_the_work_of_the_service(serving: str) -> None:
    count = Change.objects.count()
    session = make.end_session(make.make_session())
    make.make_site(make.make_tributary(session))
    administrator = make.make_user("administrator", session.centre)
    rename(by=administrator, member=make.writer_of(session.centre).memberships.get(), full_name="New Name")
    assert Change.objects.count() > count
    assert list(faults()) == []


def test_command_can_be_run_again_after_a_migration(role: str) -> None:
    for _ in range(2):
        call_command("grant_service_role", role, verbosity=0)


def test_role_that_could_do_more_is_refused(role: str) -> None:
    with connection.cursor() as cursor:
        cursor.execute("SELECT current_user")
        owner = cursor.fetchone()[0]
        cursor.execute(f"CREATE ROLE {role} SUPERUSER")
    for name in (role, owner):
        with pytest.raises(CommandError, match="Name a role without such rights"):
            call_command("grant_service_role", name)


def test_missing_role_and_odd_names_are_refused_in_words(role: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(PASSWORD)
    with pytest.raises(CommandError, match="There is no role"):
        call_command("grant_service_role", role)
    with pytest.raises(CommandError, match="lower-case letters"):
        call_command("grant_service_role", 'x"; DROP TABLE registry_change; --')


def test_other_databases_have_no_roles(on_postgresql: bool) -> None:
    if on_postgresql:
        pytest.skip("about SQLite")
    with pytest.raises(CommandError, match="Only PostgreSQL has roles") as told:
        call_command("grant_service_role", "serving")
    assert told.value.returncode == 2
