#!/usr/bin/env bash
# The demo: migrate, load the invented scenario, print the comparison of the worked session, then serve on this machine.
set -euo pipefail
unset TRIBUTARY_PRODUCTION DATABASE_URL CELERY_BROKER_URL # the embedded edition, whatever the shell has set
manage() { .venv/bin/python manage.py "$@"; }
told=$(mktemp)
trap 'rm -f "$told"' EXIT

[ "${SERVE:-1}" = "0" ] || port=$(.venv/bin/python config/ops/free_port.py "${PORT:-}")
mkdir -p staticfiles # nothing is collected here; its absence would only be warned about
manage migrate --no-input --verbosity 0
manage load_demo | tee "$told"
echo
manage compare_sites "$(sed -n 's/^Worked session: //p' "$told")"
echo
manage check_demo
[ "${SERVE:-1}" = "0" ] && exit 0

echo
echo "Tributary is at http://localhost:$port/ (Ctrl-C stops it)."
sed -n '/^Log-ins/,$p' "$told"
rm -f "$told"
exec .venv/bin/gunicorn config.wsgi --bind "127.0.0.1:$port" --threads 4 --log-level warning --no-control-socket
