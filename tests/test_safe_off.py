"""Outputs go low with nobody's help; what holds them is killed; a list that is not one is refused."""

import json
import os
import subprocess
import sys
import types

import pytest

from saltern.errors import SafeOffError
from saltern.ports import LinesBusyError
from saltern.running.safe_off import Outputs, read_outputs, safe_off, write_outputs
from saltern_drivers import gpio_lines
from tests.processes import SALTERN, begin, run

OUTPUTS = Outputs("gpio", (17, 27, 22, 19), 1)


def test_what_is_written_is_read_and_what_is_damaged_is_not(tmp_path):
    path = tmp_path / "outputs.json"
    write_outputs(path, OUTPUTS).close()
    assert read_outputs(path) == OUTPUTS

    path.write_text(path.read_text().replace("27", "26"))
    with pytest.raises(SafeOffError, match="damaged"):
        read_outputs(path)
    path.write_text("[]")
    with pytest.raises(SafeOffError, match="not a list of outputs"):
        read_outputs(path)
    with pytest.raises(SafeOffError, match="cannot be read"):
        read_outputs(tmp_path / "none")
    with pytest.raises(SafeOffError, match="cannot be written"):
        write_outputs(tmp_path / "no" / "outputs.json", OUTPUTS)


@pytest.fixture
def header(monkeypatch):
    """A GPIO chip that some of the lines of which another process may hold."""

    class RefusedError(Exception):
        pass

    chip = types.SimpleNamespace(levels={}, held=set(), opened=0)

    def claim(handle, line, level):
        if line in chip.held:
            raise RefusedError("GPIO busy")
        chip.levels[line] = level

    lgpio = types.SimpleNamespace(
        error=RefusedError,
        gpiochip_open=lambda number: number,
        gpiochip_close=lambda handle: None,
        gpio_get_chip_info=lambda handle: (0, 54, "gpiochip0", "pinctrl-bcm2711"),
        gpio_claim_output=claim,
    )
    monkeypatch.setitem(sys.modules, "lgpio", lgpio)
    monkeypatch.setattr(gpio_lines, "_header_chip", lambda lgpio: 0)
    return chip


def test_every_line_is_driven_low_and_one_that_is_held_keeps_none_of_the_others_up(header):
    gpio_lines.force_low(OUTPUTS.lines)
    assert header.levels == {17: 0, 27: 0, 22: 0, 19: 0}

    header.levels.clear()
    header.held = {17}
    with pytest.raises(LinesBusyError, match="17"):
        gpio_lines.force_low(OUTPUTS.lines)
    assert header.levels == {27: 0, 22: 0, 19: 0}


@pytest.fixture
def sleeper():
    """Processes that do nothing, ended when the test is over."""
    made = []

    def start(*words):
        command = [sys.executable, "-c", "import time; print('here', flush=True); time.sleep(60)", *words]
        made.append(begin(*command, stdout=subprocess.PIPE, text=True))
        assert made[-1].stdout.readline() == "here\n"  # before that /proc does not show its words
        return made[-1]

    yield start
    for process in made:
        process.kill()
        process.wait()
        process.stdout.close()


def test_a_hung_service_that_holds_the_lines_is_killed_first(header, sleeper):
    hung = sleeper("saltern")
    header.held = {17}

    def force(lines):
        if hung.poll() is not None:
            header.held = set()
        gpio_lines.force_low(lines)

    assert safe_off(Outputs("gpio", OUTPUTS.lines, hung.pid), force) is True
    assert hung.wait() < 0
    assert header.levels[17] == 0


def test_a_stranger_that_holds_the_lines_is_left_alone(header, sleeper):
    stranger = sleeper()
    header.held = {17}
    with pytest.raises(SafeOffError, match="another process"):
        safe_off(Outputs("gpio", OUTPUTS.lines, stranger.pid), gpio_lines.force_low)
    assert stranger.poll() is None


def test_the_command_needs_the_list_alone(tmp_path):
    path = tmp_path / "outputs.json"
    write_outputs(path, Outputs("twin", (17, 27), os.getpid())).close()
    command = [*SALTERN, "safe-off"]
    done = run(*command, path)
    none = run(*command, env={**os.environ, "RUNTIME_DIRECTORY": ""})

    assert done.stdout == "2 outputs are low.\n"
    assert none.returncode == 1
    assert "give the path" in none.stderr


def test_a_service_writes_every_line_that_its_drivers_drive(tmp_path):
    from saltern.cli.opening import opened
    from tests.toml import to_toml
    from tests.twin_bench import bench_table

    bench = tmp_path / "bench.toml"
    bench.write_text(to_toml(bench_table()))
    with opened(bench) as here:
        found = json.loads((tmp_path / "kelp-room.outputs.json").read_text())
        pins = here.service.bench.devices
    assert pins is not None
    table = bench_table()
    wanted = {table["stirrer"]["drive"]["pin"]}
    for pump in table["pumps"].values():
        wanted |= {value for key, value in pump["drive"].items() if key.endswith("pin")} | {pump["permit"]["pin"]}
    assert set(found["lines"]) == wanted


def test_a_list_is_locked_while_the_process_that_wrote_it_lives_and_by_that_alone_it_is_known_to_live(tmp_path):
    path = tmp_path / "outputs.json"
    writes = (
        "import sys, os, time; from pathlib import Path; from saltern.running.safe_off import Outputs, write_outputs; "
        "held = write_outputs(Path(sys.argv[1]), Outputs('gpio', (17,), os.getpid(), 'no socket')); "
        "print('written', flush=True); time.sleep(60)"
    )
    process = subprocess.Popen([sys.executable, "-c", writes, str(path)], stdout=subprocess.PIPE, text=True)
    assert process.stdout.readline() == "written\n"
    held = read_outputs(path)

    def force(lines):
        if process.poll() is None:
            raise LinesBusyError("busy", where="test", remedy="none")

    assert safe_off(held, force) is True
    assert process.wait(10) < 0
    assert safe_off(held, force) is False
    process.stdout.close()
