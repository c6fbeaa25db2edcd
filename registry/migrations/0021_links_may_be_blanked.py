"""The append-only triggers let one thing through: the erasure of a patient blanks links that no key of the patient seals.

Nothing else of a link may change. The verification finds a blanked link that no signed erasure accounts for.
"""

from django.db import migrations

_REST = (
    *("id", "centre_id", "sequence", "at", "actor_id", "actor_name", "action", "record_type", "record_id"),
    *("previous_digest", "digest"),
)
_SAME = " AND ".join(f"NEW.{name} IS OLD.{name}" for name in _REST)
_BLANKED = """NEW."values" = '(erased)' AND NEW.reason = ''"""
_REFUSED = "SELECT RAISE(ABORT, 'the change trail is append-only')"

_SQLITE = [
    "DROP TRIGGER registry_change_no_update",
    f"CREATE TRIGGER registry_change_no_update BEFORE UPDATE ON registry_change WHEN NOT ({_BLANKED} AND {_SAME}) "
    f"BEGIN {_REFUSED}; END",
]
_UNDO_SQLITE = [
    "DROP TRIGGER registry_change_no_update",
    f"CREATE TRIGGER registry_change_no_update BEFORE UPDATE ON registry_change BEGIN {_REFUSED}; END",
]
_POSTGRESQL = [
    f"""CREATE OR REPLACE FUNCTION registry_change_refuse() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN
    IF TG_OP = 'UPDATE' THEN
        IF {_BLANKED} AND {_SAME.replace(" IS ", " IS NOT DISTINCT FROM ")} THEN RETURN NEW; END IF;
    END IF;
    RAISE EXCEPTION 'the change trail is append-only' USING ERRCODE = 'check_violation'; END $$""",
]
_UNDO_POSTGRESQL = [
    "CREATE OR REPLACE FUNCTION registry_change_refuse() RETURNS trigger LANGUAGE plpgsql AS "
    "$$ BEGIN RAISE EXCEPTION 'the change trail is append-only' USING ERRCODE = 'check_violation'; END $$",
]


def _run(schema_editor, sqlite, postgresql):
    for statement in {"sqlite": sqlite, "postgresql": postgresql}[schema_editor.connection.vendor]:
        schema_editor.execute(statement, params=None)


def allow(apps, schema_editor):
    _run(schema_editor, _SQLITE, _POSTGRESQL)


def refuse(apps, schema_editor):
    _run(schema_editor, _UNDO_SQLITE, _UNDO_POSTGRESQL)


class Migration(migrations.Migration):
    dependencies = [("registry", "0020_patient_keys")]
    operations = [migrations.RunPython(allow, refuse)]
