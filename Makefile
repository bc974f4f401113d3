# Needs only python3 (3.11 or newer, with venv) and make; everything else it sets up in .venv.

PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin

# Where `make install` puts things; DESTDIR is for packagers and tests.
PREFIX ?= /opt/saltern
DESTDIR ?=
EXTRAS ?= gpio,i2c,modbus,mqtt,metrics,alerts
UNITS := $(DESTDIR)/etc/systemd/system

.PHONY: help demo test lint types unit coverage bench soak hooks install install-files uninstall clean

help:
	@echo "make demo   a day of a reef tank on the simulated bench, in some seconds"
	@echo "make test   linters, types, import rules and tests"
	@echo "make coverage   the same tests, and which lines and branches they run; branches of child processes too"
	@echo "make hooks  lint, types and import rules before every commit"
	@echo "make bench  accuracy and speed of the evaluation, as tables (an hour and a half)"
	@echo "make soak   the fault campaign, a death at every instant, 200 kills, ten years of schedules (hours)"
	@echo "make install (as root) into $(PREFIX), with units, user and udev rules; again: an upgrade that keeps all data"
	@echo "make uninstall (as root) removes the program; configuration and records stay"
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

# The pump node's firmware is tested under a real MicroPython, on Node.js. Without npm those tests are skipped, and say so.
MICROPYTHON := @micropython/micropython-webassembly-pyscript
MICROPYTHON_VERSION := 1.27.0
MICROPYTHON_STAMP := .micropython/stamp-$(MICROPYTHON_VERSION)

$(MICROPYTHON_STAMP):
	@command -v npm >/dev/null || { echo "npm is not there: the pump node is not tested under MicroPython"; exit 0; }; \
	  npm install --silent --no-audit --no-fund --no-save --no-package-lock --prefix .micropython \
	    $(MICROPYTHON)@$(MICROPYTHON_VERSION) >/dev/null && touch $@ || \
	  echo "npm could not install MicroPython: the pump node is not tested under it"

demo: $(VENV)/stamp-run
	@$(BIN)/saltern demo

test: lint types unit

lint: $(VENV)/stamp-test
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/lint-imports

types: $(VENV)/stamp-test
	$(BIN)/mypy

unit: $(VENV)/stamp-test $(MICROPYTHON_STAMP)
	$(BIN)/pytest -n 2

coverage: $(VENV)/stamp-test $(MICROPYTHON_STAMP)
	$(BIN)/coverage erase
	$(BIN)/coverage run -m pytest -n 2 -q
	$(BIN)/coverage combine --quiet
	$(BIN)/coverage report

hooks: $(VENV)/stamp-test
	$(BIN)/pre-commit install --hook-type pre-commit --hook-type commit-msg

soak: $(VENV)/stamp-test $(MICROPYTHON_STAMP)
	$(BIN)/pytest -q -n 2 -m soak -o processor_time_s=14400 -o hang_s=43200
	$(BIN)/python -m tests.faults.every_instant
	$(BIN)/python -m tests.faults

bench: $(VENV)/stamp-test
	$(BIN)/python -m tests.benchmarks

# On Raspberry Pi OS, lgpio comes as the system package python3-lgpio where it has no wheel: a venv that sees it.
install: install-files
	@test "$$(id -u)" = 0 || { echo "run it as root: sudo make install"; exit 1; }
	@$(PYTHON) -c 'import sys, venv, ensurepip; sys.exit(sys.version_info < (3, 11))' || \
	  { echo "Saltern needs Python 3.11 or newer with venv (on Debian: apt install python3-venv)"; exit 1; }
	$(PYTHON) -m venv $$($(PYTHON) -c 'import lgpio' 2>/dev/null && echo --system-site-packages) $(PREFIX)
	$(PREFIX)/bin/python -m pip install --quiet --upgrade -c constraints.txt '.[$(EXTRAS)]'
	cp README.md $(PREFIX)/README.md
	systemd-sysusers saltern.conf
	systemd-tmpfiles --create saltern.conf
	-systemctl daemon-reload
	-udevadm control --reload
	@echo "Next: write /etc/saltern/bench.toml (examples in config/), then"
	@echo "  $(PREFIX)/bin/saltern check /etc/saltern/bench.toml && systemctl enable --now saltern"

install-files:
	install -D -m 644 systemd/saltern.service $(UNITS)/saltern.service
	install -D -m 644 systemd/saltern.sysusers $(DESTDIR)/usr/lib/sysusers.d/saltern.conf
	install -D -m 644 systemd/saltern.tmpfiles $(DESTDIR)/usr/lib/tmpfiles.d/saltern.conf
	install -D -m 644 systemd/60-saltern.rules $(DESTDIR)/etc/udev/rules.d/60-saltern.rules

uninstall:
	-test -n "$(DESTDIR)" || systemctl disable --now saltern
	rm -rf $(DESTDIR)$(PREFIX) $(UNITS)/saltern.service $(DESTDIR)/usr/lib/sysusers.d/saltern.conf \
	  $(DESTDIR)/usr/lib/tmpfiles.d/saltern.conf $(DESTDIR)/etc/udev/rules.d/60-saltern.rules
	@echo "Removed. /etc/saltern and /var/lib/saltern are as they were"

clean:
	rm -rf $(VENV) .micropython .coverage* .mypy_cache .ruff_cache .pytest_cache .hypothesis .import_linter_cache
