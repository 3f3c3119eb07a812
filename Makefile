# Everything a contributor runs. `make help` lists it. Windows without make: docs/windows.md.

SHELL := /bin/sh
.DEFAULT_GOAL := help

# The first Python of 3.11 or newer that runs and can make an environment; PYTHON=... overrides.
ifndef PYTHON
PYTHON := $(shell for name in python3.13 python3.12 python3.11 python3.14 python3 python; do \
	"$$name" -c 'import sys, venv, ensurepip; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1 \
	&& { command -v "$$name"; break; }; done)
endif

VENV ?= .venv
BIN := $(VENV)/bin
PIP := $(BIN)/python -m pip --disable-pip-version-check --quiet
INSTALL := $(PIP) install --require-hashes --requirement
# The package itself, in place, built by what the lock holds: nothing unlocked is fetched.
THIS := $(PIP) install --no-deps --no-build-isolation --no-index --editable .
RUN_READY := $(VENV)/.installed-to-run
TEST_READY := $(VENV)/.installed-to-test

# Workers for the tests: auto is one per core.
WORKERS ?= auto
# More arguments for pytest, for example: make test TESTS="tests/strokes -k rollover"
TESTS ?=

.PHONY: help install demo serve test test-fast lint audit format bench screenshots checks-table messages lock wheel clean

help: ## Show what can be made
	@grep -hE '^[a-z-]+:.*## ' $(MAKEFILE_LIST) | sed -E 's/^([a-z-]+):.*## /\1|/' \
	| while IFS='|' read -r target text; do printf '  %-12s %s\n' "$$target" "$$text"; done

install: $(RUN_READY) ## Make .venv with exactly the locked libraries, to run tracelog

demo: $(RUN_READY) ## Fill a demo plant once, serve it, and print address and sign-ins
	$(BIN)/tracelog demo

serve: $(RUN_READY) ## Serve the database that TRACELOG_DATABASE_URL names
	$(BIN)/tracelog serve

test: lint ## Style, types, import contracts, and every test on SQLite and PostgreSQL
	$(BIN)/python -m pytest -n $(WORKERS) --dist worksteal $(TESTS)

test-fast: $(TEST_READY) ## Only the tests that need neither PostgreSQL nor a browser
	$(BIN)/python -m pytest -n $(WORKERS) --dist worksteal -m "not postgresql and not browser" $(TESTS)

lint: $(TEST_READY) ## Style, formatting, types and import contracts
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports --no-logo

audit: $(TEST_READY) ## Ask the package index whether a locked library has a known weakness
	$(BIN)/python -m tests.support.audited

format: $(TEST_READY) ## Put the code into the project's format
	$(BIN)/ruff check --fix .
	$(BIN)/ruff format .

bench: $(TEST_READY) ## Time every page and count its statements on the demo year
	$(BIN)/python -m tests.bench $(BENCH)

checks-table: $(TEST_READY) ## Write docs/published-checks.md from the published checks
	$(BIN)/python -m tests.published

screenshots: $(TEST_READY) ## Take the pictures of the README, and every page at three widths, light and dark
	$(BIN)/python -m tests.browser.screenshots --every build/screenshots

messages: $(TEST_READY) ## Bring the catalogues of translations up to date with what the pages say
	$(BIN)/python -m tests.support.messages

lock: $(TEST_READY) ## Choose the newest allowed libraries and write both locks
	$(BIN)/python -m tests.support.locks

wheel: $(TEST_READY) ## Build dist/tracelog-*.whl, with templates and migrations inside
	$(BIN)/python -m build --wheel --no-isolation

clean: ## Remove everything that was made, except databases
	rm -rf $(VENV) build dist .mypy_cache .ruff_cache .pytest_cache .import_linter_cache .hypothesis
	rm -rf test-results *.egg-info
	find . -name __pycache__ -type d -prune -exec rm -rf {} +

$(BIN)/python:
	@test -n "$(PYTHON)" || { echo "tracelog needs Python 3.11 or newer with venv:" \
	  "install one, or say make PYTHON=/path/to/python"; exit 1; }
	$(PYTHON) -m venv $(VENV)

$(RUN_READY): requirements.lock pyproject.toml | $(BIN)/python
	@echo "Installing the locked libraries into $(VENV) (once) ..."
	$(INSTALL) requirements.lock
	$(THIS)
	@touch $@

$(TEST_READY): requirements-test.lock pyproject.toml | $(BIN)/python
	@echo "Installing the locked libraries for tests into $(VENV) (once) ..."
	$(INSTALL) requirements.lock
	$(INSTALL) requirements-test.lock --no-build-isolation
	$(THIS)
	@touch $@ $(RUN_READY)
