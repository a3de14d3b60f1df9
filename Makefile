# make rehearsal   the service on a simulated shop, for a phone or a browser (ARGS="--speed 10" for more)
# make install     its environment only, for a service that starts by itself
# make test        everything that guards a commit
# make check       the quick half of it: lint, types, import contracts
# make cover       every branch of what decides about heat, by its own tests (seconds; part of make test)
# make bench       the measured table
# make study       the long campaigns (SEED=7)
# make prove       mutants of the safety files

VENV := .venv
BIN := $(VENV)/bin
LOCK := .ci/requirements.lock
TEST_PACKAGES := chromium gcc libc6-dev gcc-avr avr-libc libsimavr-dev cppcheck systemd
WORKERS := 2

# The pins were made with 3.11; anything newer serves where that is not there.
PYTHON := $(shell for python in python3.11 python3 python3.12 python3.13; do \
	$$python -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null && { echo $$python; break; }; done)
PIP := $(BIN)/python -m pip --disable-pip-version-check --quiet install --constraint $(LOCK)

.PHONY: install rehearsal test check cover bench study prove

install: $(VENV)/.run-installed

rehearsal: $(VENV)/.run-installed
	@exec $(BIN)/python -m controller serve --rehearsal $(ARGS)

test: $(VENV)/.test-installed
	.ci/system-packages $(TEST_PACKAGES)
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/lint-imports
	$(COVER)
	$(BIN)/python -m pytest -n $(WORKERS)

check: $(VENV)/.test-installed
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/lint-imports

# Each of these is covered wholly by the tests that carry its name: fails under 100 % of branches.
COVERED := sensing limits interlocks gate
COVER = COVERAGE_FILE=$(VENV)/.coverage $(BIN)/python -m pytest -q -p no:cacheprovider --cov-branch \
	--cov-report=term-missing --cov-fail-under=100 \
	$(foreach name,$(COVERED),--cov=controller.core.$(name) tests/core/test_$(name).py)

cover: $(VENV)/.test-installed
	$(COVER)

bench: $(VENV)/.test-installed
	$(BIN)/python -m tests.bench

# Campaigns that take hours: make study SEED=7 (ARGS="worlds 5000" for a part of them).
study: $(VENV)/.test-installed
	$(BIN)/python -m tests.study $(ARGS) $(if $(SEED),--seed $(SEED))

# Mutants of the safety files (pyproject, tool.mutmut); fails where one lives without a reason in tests/study/mutants.
# Half an hour or more.
prove: $(VENV)/.test-installed
	@$(PIP) --editable '.[test,prove]'
	nice $(BIN)/mutmut run --max-children $(WORKERS)
	$(BIN)/python -m tests.study.prove

$(VENV)/.made:
	@test -n "$(PYTHON)" || { echo "Python 3.11 or newer is needed: sudo apt-get install python3 python3-venv" >&2; exit 1; }
	@echo "Making $(VENV) with $(PYTHON)"
	@$(PYTHON) -m venv $(VENV) || { echo "The venv module is missing: sudo apt-get install python3-venv" >&2; exit 1; }
	@touch $@

$(VENV)/.run-installed: $(VENV)/.made pyproject.toml $(LOCK)
	@echo "Installing what the service needs into $(VENV)"
	@$(PIP) --editable '.[records]'
	@$(BIN)/python -m compileall -q controller
	@touch $@

$(VENV)/.test-installed: $(VENV)/.made pyproject.toml $(LOCK)
	@echo "Installing what the tests need into $(VENV)"
	@$(PIP) --editable '.[test]'
	@$(BIN)/python -m compileall -q controller
	@touch $@ $(VENV)/.run-installed
