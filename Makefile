# Needs only python3 (3.11 or newer, with venv) and make; everything else it sets up in .venv.

PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin

.PHONY: help demo test lint types unit bench soak clean

help:
	@echo "make demo   a day of a reef tank on the simulated bench, in some seconds"
	@echo "make test   linters, types, import rules and tests"
	@echo "make bench  accuracy and speed of the evaluation, as tables (half an hour)"
	@echo "make soak   the fault campaign, ten years of schedules, a week of outages (an hour)"
	@echo "make clean  remove what make has set up"

# One stamp for what runs, one for what tests: the demo does not wait for test tools.
$(VENV)/stamp-run: pyproject.toml constraints.txt
	@$(PYTHON) -c 'import sys, venv, ensurepip; sys.exit(sys.version_info < (3, 11))' || \
	  { echo "Saltern needs Python 3.11 or newer with venv (on Debian: apt install python3-venv)"; exit 1; }
	@test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check -c constraints.txt -e .
	@touch $@

$(VENV)/stamp-test: pyproject.toml constraints.txt
	@$(PYTHON) -c 'import sys, venv, ensurepip; sys.exit(sys.version_info < (3, 11))' || \
	  { echo "Saltern needs Python 3.11 or newer with venv (on Debian: apt install python3-venv)"; exit 1; }
	@test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check -c constraints.txt -e '.[dev]'
	@touch $@ $(VENV)/stamp-run

demo: $(VENV)/stamp-run
	@$(BIN)/saltern demo

test: lint types unit

lint: $(VENV)/stamp-test
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/lint-imports

types: $(VENV)/stamp-test
	$(BIN)/mypy

unit: $(VENV)/stamp-test
	$(BIN)/pytest -n 2

soak: $(VENV)/stamp-test
	SALTERN_SOAK=1 $(BIN)/pytest -q --timeout 3600 tests/publish/test_mqtt.py tests/test_schedule.py
	$(BIN)/python -m tests.faults

bench: $(VENV)/stamp-test
	$(BIN)/python -m tests.benchmarks

clean:
	rm -rf $(VENV) .mypy_cache .ruff_cache .pytest_cache .hypothesis .import_linter_cache
