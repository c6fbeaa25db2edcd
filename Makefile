# Every recipe makes what it needs: the virtual environment is .venv, services are started and stopped by the recipe.
SHELL := /bin/bash
.SHELLFLAGS := -euo pipefail -c
.DEFAULT_GOAL := help
MAKEFLAGS += --no-print-directory
# Images of Python often forbid keeping compiled modules; every process would compile Django and SciPy again.
unexport PYTHONDONTWRITEBYTECODE

PYTHON ?= python3
UV_VERSION := 0.13.9
BIN := .venv/bin
READY := .venv/.installed
SCRIPTS_READY := node_modules/.installed
# One more than processors: tests of pages and processes wait for a third of their time.
WORKERS := $(shell echo $$(( $$(nproc) + 1 )))
PYTEST := $(BIN)/pytest -n $(WORKERS) --dist loadgroup -q

.PHONY: help demo test test-scripts test-sqlite test-postgresql check fix bench sbom lock

help: ## Say what can be made
	@grep -hE '^[a-z-]+:.*##' $(MAKEFILE_LIST) | sed -E 's/:.*## /\t/' | expand -t 20

$(READY): requirements-dev.lock
	@bash config/ops/provision.sh python
	@test -x $(BIN)/python || { echo "Making a virtual environment in .venv" >&2; $(PYTHON) -m venv .venv; }
	@$(BIN)/python -c 'import sys; sys.exit(not (3, 11) <= sys.version_info < (3, 14))' \
	  || { echo "Python 3.11, 3.12 or 3.13 is needed; name one with 'make PYTHON=python3.11 ...'." >&2; exit 2; }
	@echo "Installing the $$(grep -c '^[a-z0-9]' $<) packages of $< into .venv, once: about 400 MB" >&2
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check "uv==$(UV_VERSION)"
	@$(BIN)/uv pip sync --python $(BIN)/python --require-hashes $< 2> >(grep -v '^ [-+~] ' >&2)
	@touch $@

$(SCRIPTS_READY): package-lock.json .npmrc
	@bash config/ops/provision.sh node npm
	@npm ci --loglevel=error >/dev/null
	@touch $@

demo: $(READY) ## Load the demo scenario, print the comparison of its sites, then serve it (SERVE=0: do not serve; PORT=8000)
	@$(BIN)/python config/ops/demo.py

test: $(READY) ## Run every test on SQLite, and what touches the database again on PostgreSQL
	@bash config/ops/provision.sh postgresql redis chromium node
	@bash config/ops/with_services.sh $(MAKE) --keep-going test-scripts test-sqlite test-postgresql

test-scripts:
	@echo "== Tests of the scripts in Node"
	@node --test tests/javascript/*.test.js

test-sqlite: $(READY)
	@echo "== Tests on SQLite"
	@DATABASE_URL= $(PYTEST) $(ARGS)

test-postgresql: $(READY)
	@echo "== Tests on PostgreSQL"
	@DATABASE_URL="$${TRIBUTARY_TEST_POSTGRES:?run 'make test', which starts one}" $(PYTEST) --touching-database $(ARGS)

CHECKS := check-style check-scripts check-types check-imports check-django check-api check-deploy check-repository
.PHONY: $(CHECKS)
check: $(READY) ## Formatting, linting, typing, import contract, migrations, API document, deployment, lock and compose files
	@$(MAKE) --keep-going --jobs=2 --output-sync=target $(CHECKS)

check-style: $(READY)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .

check-scripts: $(SCRIPTS_READY)
	npm run --silent lint
	npm run --silent types

check-types: $(READY)
	$(BIN)/mypy

check-imports: $(READY)
	$(BIN)/lint-imports --no-logo

check-django: $(READY)
	$(BIN)/python manage.py check --fail-level WARNING
	$(BIN)/python manage.py makemigrations --check --dry-run

check-api: $(READY)
	$(BIN)/python manage.py spectacular --validate --fail-on-warn --file /dev/null

check-deploy: $(READY)
	bash config/ops/check_deploy.sh

check-repository: $(READY)
	$(BIN)/pytest -q tests/test_repository.py tests/ops/test_compose.py

fix: $(READY) ## Repair formatting and what the linter can
	$(BIN)/ruff check --fix .
	$(BIN)/ruff format .

bench: $(READY) ## Run the benchmarks; each prints its ratios
	@for bench in tests/bench/bench_*.py; do echo "== $$bench"; PYTHONPATH=. $(BIN)/python "$$bench"; done

sbom: $(READY) ## Write the bill of materials of a release (CycloneDX) to var/sbom.json
	@$(BIN)/python config/ops/sbom.py var/sbom.json

lock: $(READY) ## Resolve the dependencies again
	$(BIN)/uv pip compile pyproject.toml --generate-hashes --no-emit-index-url --universal -o requirements.lock
	$(BIN)/uv pip compile pyproject.toml --generate-hashes --no-emit-index-url --universal --group dev -o requirements-dev.lock
