"""Every driver, ours or a stranger's, keeps the house's rules."""

import ast
import inspect
import os
import subprocess
import sys
import tomllib
from importlib.metadata import entry_points
from pathlib import Path

import pytest
from pydantic import ValidationError

from saltern.ports import Driver, Probe, PumpDrive, RunPermit, Selector, Stirrer, Switch
from tests.twin_bench import TwinBench

EXAMPLE = Path(__file__).parents[2] / "drivers" / "example_package"
PROTOCOLS = {
    "pump": PumpDrive,
    "permit": RunPermit,
    "stirrer": Stirrer,
    "switch": Switch,
    "probe": Probe,
    "selector": Selector,
}
MAY_IMPORT = ("saltern.ports", "saltern_drivers")


def installed_example(folder):
    """Write what pip writes of the example's entry points, so that they are found as any installed package's are."""
    project = tomllib.loads((EXAMPLE / "pyproject.toml").read_text())["project"]
    info = folder / f"{project['name'].replace('-', '_')}-{project['version']}.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {project['name']}\nVersion: {project['version']}\n")
    lines = [
        line
        for group, entries in project["entry-points"].items()
        for line in (f"[{group}]", *(f"{name} = {value}" for name, value in entries.items()))
    ]
    (info / "entry_points.txt").write_text("\n".join(lines) + "\n")


@pytest.fixture(scope="module", autouse=True)
def with_the_example(tmp_path_factory):
    folder = tmp_path_factory.mktemp("installed")
    installed_example(folder)
    sys.path[:0] = [str(folder), str(EXAMPLE)]
    yield
    sys.path.remove(str(folder))
    sys.path.remove(str(EXAMPLE))
    sys.modules.pop("saltern_twin_float", None)


def drivers():
    return {entry.name: entry for entry in entry_points(group="saltern.drivers")}


NAMES = [*drivers(), "twin-float"]


def page_of(entry):
    """Return the docstring of a driver's module."""
    return inspect.getdoc(sys.modules[entry.load().config.__module__])


def test_there_are_drivers_and_the_example_is_found():
    assert {"gpio-timed-pump", "gpio-stepper-pump", "gpio-switch", "serial-line", "twin-float"} <= set(drivers())


@pytest.mark.parametrize("name", NAMES)
def test_a_driver_declares_kind_config_and_claims(name):
    driver = drivers()[name].load()

    assert isinstance(driver, Driver)
    assert driver.kind in PROTOCOLS
    assert driver.config.__doc__
    assert driver.config.model_config["frozen"]
    with pytest.raises(ValidationError, match="Extra inputs are not permitted"):
        driver.config.model_validate({"no_such_option": 1})


def examples(page):
    """Return the indented TOML of a docstring."""
    lines = [line[4:] if line.startswith("    ") else "" for line in page.splitlines()]
    return tomllib.loads("\n".join(lines))


def tables(table):
    """Yield every table that names a driver."""
    if "driver" in table:
        yield table
    for value in table.values():
        if isinstance(value, dict):
            yield from tables(value)


@pytest.mark.parametrize("name", NAMES)
def test_its_page_says_how_to_wire_it_shows_a_config_that_is_taken_and_its_limits(name):
    entry = drivers()[name]
    page, driver = page_of(entry), entry.load()
    assert "Example" in page
    assert "Limits" in page
    shown = [table for table in tables(examples(page)) if table["driver"] == name]
    if name == "node-stirrer":
        shown = [{"driver": name, "port": "/dev/serial/by-id/usb-your-board"}]
    assert shown, f"no example of {name}"
    for table in shown:
        config = driver.config.model_validate({key: value for key, value in table.items() if key != "driver"})
        assert all(isinstance(claim, str) and ":" in claim for claim in driver.claims(config))
        assert all(isinstance(line, int) for line in driver.outputs(config))


@pytest.mark.parametrize("name", NAMES)
def test_it_imports_the_ports_and_nothing_else_of_the_service(name):
    source = inspect.getsource(sys.modules[drivers()[name].load().config.__module__])
    imported = [
        node.module if isinstance(node, ast.ImportFrom) else alias.name
        for node in ast.walk(ast.parse(source))
        if isinstance(node, ast.Import | ast.ImportFrom)
        for alias in node.names
    ]
    ours = [module for module in imported if module and module.startswith("saltern")]
    assert all(module.startswith(MAY_IMPORT) for module in ours), ours
    assert "time.sleep" not in source


def test_the_examples_own_tests_pass_as_its_author_runs_them():
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", EXAMPLE],
        cwd=EXAMPLE,
        env={**os.environ, "PYTHONPATH": str(EXAMPLE)},
        capture_output=True,
        text=True,
        check=False,
    )

    assert done.returncode == 0, done.stdout
    assert "3 passed" in done.stdout


def test_every_device_answers_its_protocol_and_claims_what_it_uses():
    twin = TwinBench()
    devices = twin.devices
    for group, kind in (
        (devices.pumps, "pump"),
        (devices.permits, "permit"),
        (devices.probes, "probe"),
        (devices.switches, "switch"),
    ):
        for device in group.values():
            assert isinstance(device, PROTOCOLS[kind])
    assert isinstance(devices.stirrer, Stirrer)


def test_closing_a_bench_leaves_every_output_low():
    twin = TwinBench()
    twin.bench.stir(0.5)
    twin.bench.close()

    assert all(not pin.state for pin in twin.play.wires.pins.pins.values() if pin.function == "output")
    assert twin.world.stirrer == 0.0
