"""Let one database role migrate and another serve: the serving one reads and writes rows and changes nothing else."""

from __future__ import annotations

import os
import re
from typing import Any

from django.core.management.base import CommandError, CommandParser
from django.db import connection, transaction

from registry.management.sentence import SentenceCommand

PASSWORD = "TRIBUTARY_SERVICE_PASSWORD"  # noqa: S105 - the name of a variable
_NAME = re.compile(r"[a-z_][a-z0-9_]{0,62}")
# Rows of the trail are added, never changed. A trigger refuses it too, but the owner of a table can switch it off.
_APPEND_ONLY = r"""
    SELECT DISTINCT tgrelid::regclass::text FROM pg_trigger WHERE NOT tgisinternal AND tgname LIKE '%\_no\_rewrite'
"""
_TABLES = "SELECT quote_ident(tablename) FROM pg_tables WHERE schemaname = 'public' ORDER BY tablename"
_LESS = {"registry_trailhead": "SELECT, INSERT, UPDATE", "django_migrations": "SELECT"}
# What would let the role past its rights: to be the owner, or a superuser, or to be able to become either.
_TOO_MUCH = """
    SELECT serving.rolsuper OR serving.rolcreaterole OR serving.rolbypassrls
        OR EXISTS (SELECT FROM pg_tables WHERE schemaname = 'public'
                   AND pg_has_role(serving.rolname, tableowner, 'MEMBER'))
    FROM pg_roles AS serving WHERE serving.rolname = %s
"""


class Command(SentenceCommand):
    """Give the role of the web and the workers what they need; run as the role that owns the tables."""

    help = "Give a database role the rights of the running service: rows only, and the change trail only to add to."

    def add_arguments(self, parser: CommandParser) -> None:
        """Take the role."""
        parser.add_argument("role", help="name of the serving role")

    def handle(self, *args: Any, **options: Any) -> None:
        """Grant everything or nothing; running it again sets the rights again."""
        role = options["role"]
        if connection.vendor != "postgresql":
            raise CommandError("Only PostgreSQL has roles. Set DATABASE_URL to the owner's address.", returncode=2)
        if not _NAME.fullmatch(role):
            raise CommandError("Name the role in lower-case letters, digits and underscores.", returncode=2)
        with transaction.atomic(), connection.cursor() as cursor:
            self._make(cursor, role)
            cursor.execute(_TOO_MUCH, [role])
            if cursor.fetchone()[0]:
                raise CommandError(
                    f"{role} owns the tables, is a superuser, or can become either. Name a role without such rights.",
                    returncode=2,
                )
            count = self._grant(cursor, role)
        self.stdout.write(f"{role} reads and writes the rows of {count} tables and changes none of them.")

    def _make(self, cursor: Any, role: str) -> None:
        """Make the role if it is missing and its password is given; an existing one keeps its password."""
        cursor.execute("SELECT 1 FROM pg_roles WHERE rolname = %s", [role])
        if cursor.fetchone():
            return
        password = os.environ.get(PASSWORD)
        if not password:
            raise CommandError(
                f"There is no role {role}. Set {PASSWORD} to have it made, or as a superuser: "
                f"CREATE ROLE {role} LOGIN PASSWORD '...';",
                returncode=2,
            )
        cursor.execute("SELECT quote_literal(%s)", [password])
        cursor.execute(f"CREATE ROLE {role} LOGIN PASSWORD {cursor.fetchone()[0]}")

    def _grant(self, cursor: Any, role: str) -> int:
        cursor.execute(_APPEND_ONLY)
        rights = dict.fromkeys((name for (name,) in cursor.fetchall()), "SELECT, INSERT") | _LESS
        cursor.execute(_TABLES)
        tables = [name for (name,) in cursor.fetchall()]
        cursor.execute("REVOKE CREATE ON SCHEMA public FROM PUBLIC")
        cursor.execute(f"GRANT USAGE ON SCHEMA public TO {role}")
        cursor.execute(f"REVOKE ALL ON ALL TABLES IN SCHEMA public FROM {role}")
        for table in tables:
            cursor.execute(f"GRANT {rights.get(table, 'SELECT, INSERT, UPDATE, DELETE')} ON {table} TO {role}")
        cursor.execute(f"GRANT USAGE, SELECT ON ALL SEQUENCES IN SCHEMA public TO {role}")
        return len(tables)
