#!/usr/bin/env bash
# Django's deployment checks, with the environment of a production service and keys made for this one run.
set -euo pipefail
python=.venv/bin/python
scratch=$(mktemp -d)
trap 'rm -rf "$scratch"' EXIT
export TRIBUTARY_PRODUCTION=1 TRIBUTARY_VAR="$scratch" TRIBUTARY_HOSTS=registry.example
export TRIBUTARY_SECRET_KEY TRIBUTARY_IDENTITY_KEYS TRIBUTARY_EXPORT_KEY
TRIBUTARY_SECRET_KEY=$($python -c 'import secrets; print(secrets.token_urlsafe(64))')
TRIBUTARY_EXPORT_KEY=$($python -c 'import secrets; print(secrets.token_hex(32))')
TRIBUTARY_IDENTITY_KEYS=$($python -c 'from cryptography.fernet import Fernet; print(Fernet.generate_key().decode())')
export TRIBUTARY_ORIGINS=https://registry.example
export DATABASE_URL=postgresql://tributary@database.example/tributary CELERY_BROKER_URL=redis://queue.example/0
$python manage.py check --deploy --fail-level WARNING
