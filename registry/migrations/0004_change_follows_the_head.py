"""The database itself keeps the chain: a link must follow its centre's head, and only a new link moves the head.

SQLite's ``INSERT OR REPLACE`` removes a row without asking the triggers on deletion, so a link that would replace
another is refused on its way in.
"""

from django.db import migrations

_IN_LINE = "a change must follow the last link of its centre"
_HEAD = "the head of the change trail moves with a new link only"

_SQLITE = [
    f"""CREATE TRIGGER registry_change_in_line BEFORE INSERT ON registry_change
    WHEN EXISTS (SELECT 1 FROM registry_change WHERE id = NEW.id)
    OR NOT EXISTS (
        SELECT 1 FROM registry_trailhead
        WHERE centre_id = NEW.centre_id AND sequence = NEW.sequence - 1 AND digest = NEW.previous_digest)
    BEGIN SELECT RAISE(ABORT, '{_IN_LINE}'); END""",
    """CREATE TRIGGER registry_change_moves_head AFTER INSERT ON registry_change
    BEGIN UPDATE registry_trailhead SET sequence = NEW.sequence, digest = NEW.digest
    WHERE centre_id = NEW.centre_id; END""",
    f"""CREATE TRIGGER registry_trailhead_starts_empty BEFORE INSERT ON registry_trailhead
    WHEN NEW.sequence <> 0 OR EXISTS (SELECT 1 FROM registry_trailhead WHERE centre_id = NEW.centre_id)
    BEGIN SELECT RAISE(ABORT, '{_HEAD}'); END""",
    f"""CREATE TRIGGER registry_trailhead_moves_on BEFORE UPDATE ON registry_trailhead
    WHEN NEW.centre_id <> OLD.centre_id OR NEW.sequence < OLD.sequence
    OR NEW.sequence = OLD.sequence AND NEW.digest <> OLD.digest
    OR NEW.sequence > OLD.sequence AND NOT EXISTS (
        SELECT 1 FROM registry_change
        WHERE centre_id = NEW.centre_id AND sequence = NEW.sequence AND digest = NEW.digest)
    BEGIN SELECT RAISE(ABORT, '{_HEAD}'); END""",
    f"""CREATE TRIGGER registry_trailhead_stays BEFORE DELETE ON registry_trailhead
    BEGIN SELECT RAISE(ABORT, '{_HEAD}'); END""",
]
_POSTGRESQL = [
    # Once a statement, not once a row: a head rewritten for each row of a long import would slow down with its length.
    f"""CREATE FUNCTION registry_change_in_line() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN
    IF EXISTS (
        SELECT 1 FROM (
            SELECT centre_id, sequence, previous_digest,
                lag(sequence) OVER line AS sequence_before, lag(digest) OVER line AS digest_before
            FROM added WINDOW line AS (PARTITION BY centre_id ORDER BY sequence)) AS linked
        LEFT JOIN registry_trailhead AS head USING (centre_id)
        WHERE linked.sequence IS DISTINCT FROM coalesce(sequence_before, head.sequence) + 1
        OR linked.previous_digest IS DISTINCT FROM coalesce(digest_before, head.digest))
    THEN RAISE EXCEPTION '{_IN_LINE}' USING ERRCODE = 'check_violation'; END IF;
    UPDATE registry_trailhead AS head SET sequence = last.sequence, digest = last.digest
    FROM (SELECT DISTINCT ON (centre_id) centre_id, sequence, digest FROM added
        ORDER BY centre_id, sequence DESC) AS last
    WHERE head.centre_id = last.centre_id;
    RETURN NULL; END $$""",
    "CREATE TRIGGER registry_change_in_line AFTER INSERT ON registry_change REFERENCING NEW TABLE AS added "
    "FOR EACH STATEMENT EXECUTE FUNCTION registry_change_in_line()",
    f"""CREATE FUNCTION registry_trailhead_guard() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN
    IF TG_OP = 'INSERT' AND NEW.sequence = 0 THEN RETURN NEW; END IF;
    IF TG_OP = 'UPDATE' AND NEW = OLD THEN RETURN NEW; END IF;
    IF TG_OP = 'UPDATE' AND NEW.centre_id = OLD.centre_id AND NEW.sequence > OLD.sequence AND EXISTS (
        SELECT 1 FROM registry_change
        WHERE centre_id = NEW.centre_id AND sequence = NEW.sequence AND digest = NEW.digest)
    THEN RETURN NEW; END IF;
    RAISE EXCEPTION '{_HEAD}' USING ERRCODE = 'check_violation'; END $$""",
    "CREATE TRIGGER registry_trailhead_guard BEFORE INSERT OR UPDATE OR DELETE ON registry_trailhead "
    "FOR EACH ROW EXECUTE FUNCTION registry_trailhead_guard()",
    f"""CREATE FUNCTION registry_trailhead_refuse() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN
    RAISE EXCEPTION '{_HEAD}' USING ERRCODE = 'check_violation'; END $$""",
    "CREATE TRIGGER registry_trailhead_no_truncate BEFORE TRUNCATE ON registry_trailhead "
    "FOR EACH STATEMENT EXECUTE FUNCTION registry_trailhead_refuse()",
]
_UNDO_SQLITE = [
    f"DROP TRIGGER {name}"
    for name in (
        "registry_change_in_line",
        "registry_change_moves_head",
        "registry_trailhead_starts_empty",
        "registry_trailhead_moves_on",
        "registry_trailhead_stays",
    )
]
_UNDO_POSTGRESQL = [
    "DROP TRIGGER registry_change_in_line ON registry_change",
    "DROP TRIGGER registry_trailhead_guard ON registry_trailhead",
    "DROP TRIGGER registry_trailhead_no_truncate ON registry_trailhead",
    "DROP FUNCTION registry_change_in_line()",
    "DROP FUNCTION registry_trailhead_guard()",
    "DROP FUNCTION registry_trailhead_refuse()",
]


def _run(schema_editor, sqlite, postgresql):
    for statement in {"sqlite": sqlite, "postgresql": postgresql}[schema_editor.connection.vendor]:
        schema_editor.execute(statement, params=None)


def add(apps, schema_editor):
    _run(schema_editor, _SQLITE, _POSTGRESQL)


def remove(apps, schema_editor):
    _run(schema_editor, _UNDO_SQLITE, _UNDO_POSTGRESQL)


class Migration(migrations.Migration):
    dependencies = [("registry", "0003_people")]
    operations = [migrations.RunPython(add, remove)]
