# Every command a person or a build server needs. `make help` lists them.
# Needs GNU make; whatever else is missing is installed where that needs no password, or named in one line (exit 2).

SHELL := /bin/bash
.SHELLFLAGS := -euo pipefail -c
.ONESHELL:
.DELETE_ON_ERROR:
.DEFAULT_GOAL := help

# Debian keeps mosquitto in /usr/sbin, which is not on an ordinary user's path.
export PATH := $(PATH):/usr/sbin:/sbin
export PIP_DISABLE_PIP_VERSION_CHECK := 1
export PIP_NO_INPUT := 1

VENV := .venv
BIN := $(VENV)/bin
PIP_INSTALL := $(BIN)/python -m pip install --quiet --constraint requirements.lock
TESTS ?=
# Half of what the tests take is waiting: four share two cores well, where there is 1 GB for each.
PYTEST_WORKERS ?= $(shell awk '/^MemAvailable/ {n = int($$2 / 1048576); print (n > 4 ? 4 : n < 2 ? 2 : n)}' /proc/meminfo)

.PHONY: help demo test check bench soak fuzz mutants fresh deploy-test lock packages picture

help: ## list the commands
	@echo "make demo     ten simulated tanks, polled, calculated and published; Ctrl-C stops it (DAY=1: a working day of a depot in ten minutes)"
	echo "make test     everything a change must pass: the checks, then the tests (TESTS=tests/calculation for a part)"
	echo "make check    lint, format and types only"
	echo "make bench    measure speed, print a table, keep the figures in tests/bench/results (LONG=1: longer)"
	echo "make soak     the fault matrix ten thousand times (REPETITIONS=10000), a quiet year, 300 kills (KILLS=300), 80 cut cables (CUTS=80), a simulated day (HOURS=24), then an hour of faults at random (MINUTES=60)"
	echo "make fuzz     the property tests with many more examples; a million sheets of random sites (SHEETS=1000000); any bytes under atheris (MINUTES=5)"
	echo "make mutants  break the program on purpose, one way at a time: each break must turn a test red"
	echo "make fresh    both commands of the README on minimal Debian 12 and 13, as root and as a user (DEBIAN=trixie WHO=user: a part)"
	echo "make deploy-test  deploy/README.md to the letter on a minimal Debian 13 under its own systemd (DEBIAN=bookworm: 12)"
	echo "make picture  the picture at the head of the README anew, of the page in a browser (six minutes)"
	echo "make lock     write requirements.lock anew from pyproject.toml"

# --- the virtual environment -----------------------------------------------------------------------------------------

$(VENV)/.made:
	@rm -rf $(VENV)
	.ci/make-venv $(VENV)
	touch $@

packages:
	@.ci/system-packages

$(VENV)/.demo: $(VENV)/.made pyproject.toml requirements.lock
	@echo "Installing what the demo needs into $(VENV) (once; about half a minute) ..."
	$(PIP_INSTALL) --editable '.[demo]'
	touch $@

$(VENV)/.test: $(VENV)/.made pyproject.toml requirements.lock
	@echo "Installing what the tests need into $(VENV) (once; a minute or two) ..."
	$(PIP_INSTALL) --editable '.[demo,test]'
	touch $@ $(VENV)/.demo

# Clients that are not ours, in JavaScript, for the tests alone. No script of a package is run.
$(VENV)/.node: $(VENV)/.made tests/node/package.json tests/node/package-lock.json
	@mkdir -p $(VENV)/node
	cp tests/node/package.json tests/node/package-lock.json $(VENV)/node
	npm ci --prefix $(VENV)/node --ignore-scripts --no-audit --no-fund --loglevel=error
	touch $@

# --- what people run -------------------------------------------------------------------------------------------------

demo: $(VENV)/.demo ## run the demo site
	@exec $(BIN)/tank-gateway demo $(if $(DAY),--working-day)

check: $(VENV)/.test
	@$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy

test: packages $(VENV)/.test $(VENV)/.node
	@$(MAKE) --no-print-directory check
	$(BIN)/pytest --numprocesses $(PYTEST_WORKERS) --dist worksteal $(TESTS)

bench: packages $(VENV)/.test $(VENV)/.node
	@$(BIN)/python -m tests.bench $(if $(LONG),--long)

soak: packages $(VENV)/.test
	@SOAK_REPETITIONS=$(or $(REPETITIONS),10000) $(BIN)/pytest --numprocesses $(PYTEST_WORKERS) --timeout 0 -k repeated_faults tests/acquisition
	QUIET_YEAR=1 $(BIN)/pytest --numprocesses $(PYTEST_WORKERS) --timeout 0 tests/acquisition/test_quiet_year.py
	POWER_CUTS=10000 LEDGER_KILLS=400 $(BIN)/pytest --numprocesses $(PYTEST_WORKERS) --timeout 0 tests/ledger/test_power_cut.py tests/ledger/test_kill.py
	CRASH_KILLS=$(or $(KILLS),300) $(BIN)/pytest --timeout 0 -s tests/crash/test_kills.py
	ACT_KILLS=$(or $(KILLS),100) $(BIN)/pytest --timeout 0 -s tests/crash/test_acts.py
	cable=namespace
	[ "$$(id -u)" = 0 ] && command -v ip >/dev/null || { cable=proxy; echo "no network namespaces: they need root and ip; proxies play what is cut off"; }
	CABLE=$$cable CUTS=$(or $(CUTS),80) $(BIN)/pytest --timeout 0 -s tests/crash/test_cut_off.py
	$(BIN)/python -m tests.bench.soaked_day --hours $(or $(HOURS),24)
	$(BIN)/python -m tests.bench.soak --minutes $(or $(MINUTES),60)
	$(BIN)/python -m tests.bench.node_peer

fuzz: $(VENV)/.test
	@HYPOTHESIS_PROFILE=fuzz $(BIN)/pytest --numprocesses $(PYTEST_WORKERS) --timeout 0 -m hypothesis $(TESTS)
	SITE_FUZZ_SHEETS=$(or $(SHEETS),1000000) $(BIN)/pytest --numprocesses $(PYTEST_WORKERS) --dist worksteal --timeout 0 tests/site_fuzz/test_site_fuzz.py
	$(BIN)/python -m tests.fuzz --minutes $(or $(MINUTES),5)

mutants: $(VENV)/.test
	@$(BIN)/python -m tests.mutants

# Kept in git, so only on purpose.
picture: packages $(VENV)/.test
	@$(BIN)/python -m tests.page.picture

fresh:
	@DEBIAN="$(DEBIAN)" WHO="$(WHO)" TESTS="$(TESTS)" .ci/fresh

deploy-test: $(VENV)/.test
	@DEBIAN="$(DEBIAN)" .ci/deploy-test $(BIN)

# A fresh environment, so that nothing installed by hand gets in; only names and versions are kept.
lock:
	@rm -rf .lock-venv
	.ci/make-venv .lock-venv
	.lock-venv/bin/python -m pip install --quiet --editable '.[demo,test]'
	{
		echo "# Versions that are tested together, for CPython 3.11 to 3.13. Written by 'make lock'; used as pip constraints."
		.lock-venv/bin/python -m pip freeze --exclude-editable --exclude pip --exclude setuptools | sort --ignore-case
	} > requirements.lock
	rm -rf .lock-venv
	echo "requirements.lock: $$(grep -c == requirements.lock) packages"
