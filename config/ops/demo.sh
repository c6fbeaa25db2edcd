#!/usr/bin/env bash
# The demo: migrate, load the invented scenario, print the comparison of the worked session, then serve on this machine.
set -euo pipefail
unset TRIBUTARY_PRODUCTION DATABASE_URL CELERY_BROKER_URL # the embedded edition, whatever the shell has set
manage() { .venv/bin/python manage.py "$@"; }

manage migrate --no-input --verbosity 0
manage load_demo
manage compare_sites "${DEMO_SESSION:-S-2026-0001}"
[ "${SERVE:-1}" = "0" ] && exit 0

port=$(.venv/bin/python config/ops/free_port.py "${PORT:-}")
echo
echo "Tributary is at http://127.0.0.1:$port/ (stop it with Ctrl-C). Log-ins: see above."
exec .venv/bin/gunicorn config.wsgi --bind "127.0.0.1:$port" --threads 4 --log-level warning
