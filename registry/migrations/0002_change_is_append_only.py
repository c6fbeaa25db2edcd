"""Triggers that refuse to update or delete a link of the change trail, on both databases."""

from django.db import migrations

_SQLITE = [
    f"CREATE TRIGGER registry_change_no_{verb.lower()} BEFORE {verb} ON registry_change "
    "BEGIN SELECT RAISE(ABORT, 'the change trail is append-only'); END"
    for verb in ("UPDATE", "DELETE")
]
_POSTGRESQL = [
    "CREATE FUNCTION registry_change_refuse() RETURNS trigger LANGUAGE plpgsql AS "
    "$$ BEGIN RAISE EXCEPTION 'the change trail is append-only' USING ERRCODE = 'check_violation'; END $$",
    "CREATE TRIGGER registry_change_no_rewrite BEFORE UPDATE OR DELETE ON registry_change "
    "FOR EACH ROW EXECUTE FUNCTION registry_change_refuse()",
    "CREATE TRIGGER registry_change_no_truncate BEFORE TRUNCATE ON registry_change "
    "FOR EACH STATEMENT EXECUTE FUNCTION registry_change_refuse()",
]
_UNDO_SQLITE = [f"DROP TRIGGER registry_change_no_{verb}" for verb in ("update", "delete")]
_UNDO_POSTGRESQL = [
    "DROP TRIGGER registry_change_no_truncate ON registry_change",
    "DROP TRIGGER registry_change_no_rewrite ON registry_change",
    "DROP FUNCTION registry_change_refuse()",
]


def _run(schema_editor, sqlite, postgresql):
    statements = {"sqlite": sqlite, "postgresql": postgresql}[schema_editor.connection.vendor]
    for statement in statements:
        schema_editor.execute(statement, params=None)


def add(apps, schema_editor):
    _run(schema_editor, _SQLITE, _POSTGRESQL)


def remove(apps, schema_editor):
    _run(schema_editor, _UNDO_SQLITE, _UNDO_POSTGRESQL)


class Migration(migrations.Migration):
    dependencies = [("registry", "0001_initial")]
    operations = [migrations.RunPython(add, remove)]
