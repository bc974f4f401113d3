"""What a bench file needs beside the libraries that are always there is found out before the service meets it."""

import importlib.metadata
import json
import re
from pathlib import Path

import pytest

from saltern.bench import libraries
from saltern.bench.libraries import MODULES, extras, missing_libraries
from saltern.config.loading import bench_from
from saltern.ports import INSTALLED_EXTRAS
from tests.cli.command import run
from tests.twin_bench import bench_table


def config(name, **changes):
    return bench_from(bench_table(changes, name), where="test")


@pytest.mark.parametrize(
    ("name", "needed"),
    [
        ("bench-simulated.toml", []),
        ("bench-header.toml", ["gpio", "i2c"]),
        ("bench-node.toml", ["gpio", "modbus"]),
        ("bench-of-many.toml", ["mqtt", "metrics", "alerts"]),
    ],
)
def test_wires_drivers_and_outlets_say_what_they_need(name, needed):
    assert extras(config(name)) == needed


def test_a_simulated_bench_needs_no_library_of_the_header():
    assert extras(config("bench-header.toml", wires="twin")) == []


def test_every_extra_that_a_driver_names_is_one_and_its_module_is_known():
    published = set(importlib.metadata.metadata("saltern").get_all("Provides-Extra"))
    named = {
        extra for entry in importlib.metadata.entry_points(group="saltern.drivers") for extra in entry.load().extras
    }
    assert named <= set(MODULES) <= published


@pytest.mark.parametrize("extra", MODULES)
def test_what_cannot_be_imported_is_named_with_its_extra(monkeypatch, extra):
    monkeypatch.setattr(libraries, "extras", lambda config: [extra])
    monkeypatch.setitem(MODULES, extra, "no_such_module")
    (said,) = missing_libraries(config("bench-simulated.toml"))
    assert re.search(rf"make install EXTRAS=\S*\b{extra}\b", said)
    assert ("python3-lgpio" in said) is (extra == "gpio")


def test_a_library_that_breaks_on_import_is_as_bad_as_one_that_is_missing(monkeypatch, tmp_path):
    (tmp_path / "a_broken_library.py").write_text("raise RuntimeError('built for another machine')")
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.setattr(libraries, "extras", lambda config: ["i2c"])
    monkeypatch.setitem(MODULES, "i2c", "a_broken_library")
    assert "built for another machine" in missing_libraries(config("bench-simulated.toml"))[0]


def test_check_says_so(monkeypatch):
    monkeypatch.setattr(libraries, "extras", lambda config: ["modbus"])
    monkeypatch.setitem(MODULES, "modbus", "no_such_module")
    code, out, _ = run("check", "--json")
    assert code == 0
    assert ["make install EXTRAS=" in warning for warning in json.loads(out)["warnings"]] == [True]


def test_what_make_install_brings_is_what_a_remedy_starts_from():
    """A remedy that named fewer would take libraries away from a bench that works."""
    makefile = (Path(__file__).parents[2] / "Makefile").read_text()
    (brought,) = re.findall(r"^EXTRAS \?= (\S+)$", makefile, re.MULTILINE)
    assert brought == ",".join(INSTALLED_EXTRAS)


def test_nobody_is_sent_to_a_public_registry_for_saltern():
    """Whatever lies there under this name is not this program."""
    root = Path(__file__).parents[2]
    for folder in ("daemon", "drivers", "config", "docs", "hardware"):
        for path in (root / folder).rglob("*"):
            if path.suffix in (".py", ".toml", ".md"):
                asked = re.search(r"pip install '?saltern\b", path.read_text(encoding="utf-8"))
                assert asked is None or path.name == "ports.py", path
