#!/usr/bin/env bash
# Run a command with a PostgreSQL to test against, named by TRIBUTARY_TEST_POSTGRES: the one that names already, else the
# one on this machine's usual port when it lets us in, else (and always for 'own') a throw-away one that is stopped again. The tests make and
# drop databases of their own and leave every other one alone.
set -euo pipefail

work=$(mktemp -d "${TMPDIR:-/tmp}/tributary-services.XXXXXX")
postgres_bin=$(compgen -G '/usr/lib/postgresql/*/bin' | sort -V | tail -n 1 || true)

as_postgres() { # PostgreSQL refuses to run as root
  if [ "$(id -u)" -eq 0 ]; then runuser -u postgres -- "$@"; else "$@"; fi
}

stop() {
  [ -f "$work/postgres/postmaster.pid" ] && as_postgres "$postgres_bin/pg_ctl" -D "$work/postgres" -m immediate stop >/dev/null
  rm -rf "$work"
}
trap 'stop || true' EXIT
trap 'exit 130' INT TERM

free_port() {
  .venv/bin/python -c 'import socket; s = socket.socket(); s.bind(("127.0.0.1", 0)); print(s.getsockname()[1])'
}

postgres_answers() { .venv/bin/python -c "import psycopg; psycopg.connect('$1', connect_timeout=3).close()" 2>/dev/null; }

asked=${TRIBUTARY_TEST_POSTGRES:-}
if [ -z "$asked" ] || [ "$asked" = own ]; then
  TRIBUTARY_TEST_POSTGRES=postgresql://postgres@127.0.0.1:5432/postgres
  if [ "$asked" = own ] || ! postgres_answers "$TRIBUTARY_TEST_POSTGRES"; then
    port=$(free_port)
    [ "$(id -u)" -eq 0 ] && chown postgres "$work"
    as_postgres "$postgres_bin/initdb" -D "$work/postgres" -U postgres -A trust -E UTF8 --no-sync >/dev/null
    as_postgres "$postgres_bin/pg_ctl" -D "$work/postgres" -w -l "$work/postgres.log" \
      -o "-h 127.0.0.1 -p $port -k $work -c fsync=off -c synchronous_commit=off -c full_page_writes=off" start >/dev/null
    TRIBUTARY_TEST_POSTGRES=postgresql://postgres@127.0.0.1:$port/postgres
  fi
fi
export TRIBUTARY_TEST_POSTGRES
"$@"
