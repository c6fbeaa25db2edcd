"""Tampering with the change trail as somebody with full access to the database could, triggers off."""

import datetime as dt
import random
import uuid
from contextlib import contextmanager

from django.db import connection
from django.db.models import F

from registry.models import Change

COLUMNS = [field.name for field in Change._meta.concrete_fields]
ROWS = ["cut out", "swapped with the next", "copied"]


def without_triggers():
    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            cursor.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")
            for (name,) in cursor.fetchall():
                cursor.execute(f'DROP TRIGGER "{name}"')
        else:
            for table in ("registry_change", "registry_trailhead"):
                cursor.execute(f"ALTER TABLE {table} DISABLE TRIGGER USER")


@contextmanager
def untriggered():
    """Take the triggers off for a while."""
    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            cursor.execute("SELECT sql FROM sqlite_master WHERE type = 'trigger'")
            again = [sql for (sql,) in cursor.fetchall()]
        else:
            again = [f"ALTER TABLE {name} ENABLE TRIGGER USER" for name in ("registry_change", "registry_trailhead")]
        without_triggers()
        yield
        for statement in again:
            cursor.execute(statement)


def other_value(change, column, draw: random.Random):
    """Another value of the same kind."""
    value = getattr(change, column)
    if column in {"id", "centre_id", "record_id", "actor_id"}:
        return uuid.UUID(int=draw.getrandbits(128))
    if column == "sequence":
        return value + draw.randint(1000, 2000)
    if column == "at":
        return value + dt.timedelta(microseconds=draw.choice([-1, 1, 10**6]))
    if not value:
        return "x"
    at = draw.randrange(len(value))
    letter = draw.choice([one for one in "0123456789abcdef" if one != value[at]])
    return value[:at] + letter + value[at + 1 :]


def tamper(change, what, draw):
    """Alter one column of a link, or do something to the whole row."""
    row = Change.objects.filter(pk=change.pk)
    links = Change.objects.filter(centre_id=change.centre_id)
    if what == "cut out":
        row.delete()
    elif what == "swapped with the next":
        far = 10**6
        links.filter(sequence=change.sequence + 1).update(sequence=far)
        row.update(sequence=F("sequence") + 1)
        links.filter(sequence=far).update(sequence=change.sequence)
    elif what == "copied":
        far = links.order_by("sequence").last().sequence + 1
        Change.objects.bulk_create([copy_of(change, id=uuid.UUID(int=draw.getrandbits(128)), sequence=far)])
    else:
        row.update(**{what: other_value(change, what, draw)})


def copy_of(change, **values):
    taken = {name: getattr(change, name) for name in COLUMNS}
    return Change(**taken | values)
