# Needs only python3 (3.11 or newer, with venv) and make; everything else it sets up in .venv.

PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin

# Where `make install` puts things. PREFIX is a folder for Saltern alone; DESTDIR is for packagers, images and tests.
PREFIX ?= /opt/saltern
BINDIR ?= /usr/local/bin
MANDIR ?= /usr/local/share/man
DESTDIR ?=
EXTRAS ?= gpio,i2c,modbus,mqtt,metrics,alerts
UNITS := $(DESTDIR)/etc/systemd/system
STAGED := $(abspath $(DESTDIR)/$(PREFIX))
UNIT := sed -e 's|/opt/saltern|$(PREFIX)|g'
PIP := -m pip --disable-pip-version-check

# For a computer without network: `make wheelhouse` on one that has it, `make install WHEELHOUSE=wheelhouse` there.
# FOR=3.11 makes one for a Raspberry Pi (64-bit) with that Python.
WHEELHOUSE ?=
FOR ?=
PI := --only-binary=:all: --implementation cp --python-version $(FOR) $(foreach glibc,2_17 2_24 2_28 2_31 2_34,--platform \
  manylinux_$(glibc)_aarch64) --platform manylinux2014_aarch64

comma := ,
space := $(subst ,, )
NO_GPIO := $(subst $(space),$(comma),$(filter-out gpio,$(subst $(comma),$(space),$(EXTRAS))))
NO_LGPIO := "pip has no lgpio for this Python. On a Raspberry Pi: apt install python3-lgpio, then this again. \
On a computer without pins: make install EXTRAS=$(NO_GPIO)"
HAS_PYTHON := $(PYTHON) -c 'import sys, venv, ensurepip; sys.exit(sys.version_info < (3, 11))' || \
	  { echo "Saltern needs Python 3.11 or newer with venv (on Debian: apt install python3-venv)"; exit 1; }

.PHONY: help demo test lint types unit coverage bench soak hub vm hooks release wheelhouse install may-install install-files install-system uninstall clean

help:
	@echo "make demo   a day of a reef tank on the simulated bench, in some seconds"
	@echo "make test   linters, types, import rules and tests"
	@echo "make coverage   the same tests, and which lines and branches they run; branches of child processes too"
	@echo "make hooks  lint, types and import rules before every commit"
	@echo "make bench  what the evaluation reaches and a running bench costs, as tables (an hour and a half; BENCH=--quick: minutes)"
	@echo "make soak   the fault campaign, a death at every instant, 200 kills, ten years of schedules (hours)"
	@echo "make hub    what judges the announcement to home automation, for the tests of make soak"
	@echo "make vm     (as root) a whole machine, emulated: kernel, systemd, simulated pins, power cuts (three hours)"
	@echo "make install (as root) into $(PREFIX), with units, user and udev rules; again: an upgrade that keeps all data"
	@echo "make release  source archive and wheel in dist/, the wheel tried on each Python that is here"
	@echo "make wheelhouse  what make install WHEELHOUSE=wheelhouse needs on a computer without network (FOR=3.11: on a Pi)"
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

# What a bench announces to home automation is judged by an implementation of the convention, in a Python of its own.
# Without that Python those tests are skipped, and say so.
HUB_PYTHON ?= python3.13
HUB_VERSION := 2025.4.4
HUB_STAMP := .hub/stamp-$(HUB_VERSION)

$(HUB_STAMP):
	@$(HUB_PYTHON) -c 'import venv, ensurepip' 2>/dev/null || { echo "$(HUB_PYTHON) is not there: the announcement is not judged"; exit 0; }; \
	  $(HUB_PYTHON) -m venv .hub && \
	  .hub/bin/python $(PIP) install --quiet homeassistant==$(HUB_VERSION) paho-mqtt==2.1.0 >/dev/null && touch $@ || \
	  { rm -rf .hub; echo "pip could not install what judges the announcement: it is not judged"; }

hub: $(HUB_STAMP)

demo: $(VENV)/stamp-run
	@$(BIN)/saltern demo

test: lint types unit

lint: $(VENV)/stamp-test
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/lint-imports

types: $(VENV)/stamp-test
	$(BIN)/mypy

# Compiled once: hundreds of processes start in these tests, and each would compile what it loads where Python may not write.
unit: $(VENV)/stamp-test $(MICROPYTHON_STAMP)
	$(BIN)/python -m compileall -q daemon drivers
	$(BIN)/pytest -n 3

coverage: $(VENV)/stamp-test $(MICROPYTHON_STAMP)
	$(BIN)/coverage erase
	$(BIN)/coverage run -m pytest -n 2 -q
	$(BIN)/coverage combine --quiet
	$(BIN)/coverage report

hooks: $(VENV)/stamp-test
	$(BIN)/pre-commit install --hook-type pre-commit --hook-type commit-msg

soak: $(VENV)/stamp-test $(MICROPYTHON_STAMP) $(HUB_STAMP)
	$(BIN)/pytest -q -n 2 -m soak -o processor_time_s=14400 -o hang_s=43200
	$(BIN)/python -m tests.faults.every_instant
	$(BIN)/python -m tests.faults
	$(MAKE) vm

# What the system must have for it, and what it cannot show: tests/real/vm/README.md.
vm: $(VENV)/stamp-test
	$(BIN)/python -m tests.real.vm

bench: $(VENV)/stamp-test
	$(BIN)/python -m tests.benchmarks $(BENCH)

# What is published must run without the source tree, on each interpreter that is here; wheels for others are resolved by a test.
INTERPRETERS ?= python3.11 python3.12 python3.13

release: $(VENV)/stamp-test
	rm -rf dist
	$(BIN)/python -m build --outdir dist .
	@set -e; wheel=$$(ls $(CURDIR)/dist/*.whl); for python in $(INTERPRETERS); do \
	  $$python -c 'import venv, ensurepip' 2>/dev/null || { echo "$$python is not here: not tried"; continue; }; \
	  trial=$$(mktemp -d); $$python -m venv $$trial/venv; \
	  $$trial/venv/bin/python $(PIP) install --quiet -c constraints.txt "$$wheel"; \
	  (cd $$trial && ./venv/bin/saltern demo >demo.txt && grep -c accepted demo.txt >/dev/null); \
	  echo "$$python: installed from the wheel, and the demo ran"; rm -rf $$trial; \
	done

wheelhouse:
	@$(HAS_PYTHON)
	rm -rf wheelhouse .wheelhouse-venv && $(PYTHON) -m venv .wheelhouse-venv && mkdir wheelhouse
	.wheelhouse-venv/bin/python $(PIP) wheel --quiet --no-deps -w wheelhouse .
	@set -e; pip=".wheelhouse-venv/bin/python $(PIP)"; extras="$(EXTRAS)"; \
	case ",$$extras," in *,gpio,*) \
	  $$pip download --quiet --no-deps --only-binary=:all: $(if $(FOR),$(PI)) -d wheelhouse 'lgpio>=0.2.2' 2>/dev/null || { \
	    extras="$(NO_GPIO)"; echo "Without lgpio, which pip has not for that Python: apt install python3-lgpio there"; };; \
	esac; \
	wheel="saltern[$$extras] @ file://$$(echo $(CURDIR)/wheelhouse/saltern-*.whl)"; \
	$$pip $(if $(FOR),download $(PI) -d,wheel -w) wheelhouse --quiet -c constraints.txt "$$wheel"
	rm -rf .wheelhouse-venv
	@echo "Copy this folder there, and say: make install WHEELHOUSE=wheelhouse"

install: may-install
	$(PYTHON) -m venv $$(test ! -e $(STAGED)/bin/python || $(STAGED)/bin/python -c 'import sys; sys.exit("$(PYTHON_IS)" != \
	  "%d.%d" % sys.version_info[:2])' 2>/dev/null || echo --clear) $(SEES_SYSTEM) $(STAGED)
	@set -e; pip="$(STAGED)/bin/python $(PIP)"; extras="$(EXTRAS)"; \
	from="$(if $(WHEELHOUSE),--no-index --find-links $(abspath $(WHEELHOUSE)))"; \
	case ",$$extras," in *,gpio,*) if test -n "$(SEES_SYSTEM)"; then extras="$(NO_GPIO)"; else \
	  trial=$$(mktemp -d); found=yes; \
	  $$pip download --quiet --no-deps --only-binary=:all: $$from -d $$trial 'lgpio>=0.2.2' 2>/dev/null || found=no; \
	  rm -rf $$trial; test $$found = yes || { echo $(NO_LGPIO); exit 1; }; \
	fi;; esac; \
	echo "installing saltern[$$extras] into $(STAGED)"; \
	$$pip install --quiet --upgrade $$from -c constraints.txt "$(if $(WHEELHOUSE),saltern,.)[$$extras]"; \
	$(if $(WHEELHOUSE),$$pip install --quiet --no-deps --force-reinstall $$from saltern)
	@# What pip and venv wrote into scripts is the place where it is now; it will be run from PREFIX.
	@test "$(STAGED)" = "$(abspath $(PREFIX))" || \
	  find $(STAGED)/bin -type f -exec sed -i 's|$(STAGED)|$(abspath $(PREFIX))|g' {} +
	install -m 644 README.md $(STAGED)/README.md
	install -d $(DESTDIR)$(BINDIR)
	ln -sfn $(PREFIX)/bin/saltern $(DESTDIR)$(BINDIR)/saltern
	@$(MAKE) --no-print-directory install-files
	@test -n "$(DESTDIR)" || $(MAKE) --no-print-directory install-system

# A Raspberry Pi has lgpio as the system package python3-lgpio: a venv that sees it.
SEES_SYSTEM = $(shell $(PYTHON) -c 'import importlib.util as u; print("--system-site-packages" if u.find_spec("lgpio") else "")')
PYTHON_IS = $(shell $(PYTHON) -c 'import sys; print("%d.%d" % sys.version_info[:2])')

may-install:
	@test -n "$(DESTDIR)" || test "$$(id -u)" = 0 || { echo "run it as root: sudo make install"; exit 1; }
	@$(HAS_PYTHON)
	@test -z "$(WHEELHOUSE)" || test -f "$$(echo $(WHEELHOUSE)/saltern-*.whl)" || \
	  { echo "$(WHEELHOUSE) holds no wheel of saltern: make wheelhouse, on a computer with network"; exit 1; }
	@test -z "$$(ls -A $(STAGED) 2>/dev/null)" || test -f $(STAGED)/pyvenv.cfg || \
	  { echo "$(STAGED) is there and is not Saltern's: PREFIX is a folder of its own, for example /opt/saltern"; exit 1; }

install-files:
	install -d $(UNITS)/saltern.service.d
	$(UNIT) systemd/saltern@.service > $(UNITS)/saltern@.service
	$(UNIT) -e 's|%i|bench|g' systemd/saltern@.service > $(UNITS)/saltern.service
	chmod 644 $(UNITS)/saltern.service $(UNITS)/saltern@.service
	install -m 644 systemd/saltern.service.d/bench.conf $(UNITS)/saltern.service.d/bench.conf
	install -D -m 644 systemd/saltern.sysusers $(DESTDIR)/usr/lib/sysusers.d/saltern.conf
	install -D -m 644 systemd/saltern.tmpfiles $(DESTDIR)/usr/lib/tmpfiles.d/saltern.conf
	install -D -m 644 systemd/60-saltern.rules $(DESTDIR)/etc/udev/rules.d/60-saltern.rules
	install -D -m 644 docs/saltern.1 $(DESTDIR)$(MANDIR)/man1/saltern.1

# Users and folders, and what runs: a service goes on with the new version, or it is said how (RESTART=no).
RESTART ?= yes
install-system:
	systemd-sysusers saltern.conf
	systemd-tmpfiles --create saltern.conf
	@if test -n "$$SUDO_USER" && test "$$SUDO_USER" != root; then usermod -aG saltern "$$SUDO_USER"; \
	  echo "$$SUDO_USER is in the group saltern now, and may ask the service after the next login"; fi
	@test -d /run/systemd/system || { echo "systemd does not run here: nothing to reload or to start"; exit 0; }; \
	systemctl daemon-reload; ! command -v udevadm >/dev/null || udevadm control --reload; \
	for unit in $$(systemctl list-units --plain --no-legend --state=active 'saltern*.service' | cut -d ' ' -f 1); do \
	  if test "$(RESTART)" = no; then echo "$$unit still runs the old version: systemctl restart $$unit"; \
	  else echo "$$unit is restarted; a determination under way ends as void"; systemctl restart $$unit; fi; done
	@test -e /etc/saltern/bench.toml || \
	  echo "Next: write /etc/saltern/bench.toml (examples in config/), then: saltern check && systemctl enable --now saltern"

uninstall:
	-test -n "$(DESTDIR)" || { systemctl stop saltern.service 'saltern@*.service'; systemctl disable saltern.service; }
	test ! -e $(STAGED) || test -f $(STAGED)/pyvenv.cfg
	rm -f $(UNITS)/multi-user.target.wants/saltern@*.service
	rm -rf $(STAGED) $(DESTDIR)$(BINDIR)/saltern $(UNITS)/saltern.service $(UNITS)/saltern@.service \
	  $(UNITS)/saltern.service.d/bench.conf $(DESTDIR)/usr/lib/sysusers.d/saltern.conf \
	  $(DESTDIR)/usr/lib/tmpfiles.d/saltern.conf $(DESTDIR)/etc/udev/rules.d/60-saltern.rules \
	  $(DESTDIR)$(MANDIR)/man1/saltern.1
	-rmdir --ignore-fail-on-non-empty $(UNITS)/saltern.service.d
	@echo "Removed. /etc/saltern and /var/lib/saltern are as they were"

clean:
	rm -rf $(VENV) dist wheelhouse .wheelhouse-venv .micropython .hub .coverage* .mypy_cache .ruff_cache .pytest_cache .hypothesis \
	  .import_linter_cache
