"""The node's shim, run on a stand-in for the board's modules: what it does before and in each round of its loop.

It says nothing of pulses: those are test_pulses.py's.
"""

import subprocess
import sys
from pathlib import Path
from types import ModuleType, SimpleNamespace

import pytest

from tests.node.boards import NODE, firmware, on_micropython
from tests.node.chip import Chip

MAIN = Path(NODE).with_name("main.py")


class Over(Exception):  # noqa: N818 - the end of the test, not an error
    """The script has been played to its end."""


class Board:
    """What the shim's loop touches, and the order in which it does; its pins and pulses are an emulated chip's."""

    def __init__(self, chip, chunks=(), service_held=False):
        self.chip, self.told, self.sent, self.chunks = chip, [], b"", list(chunks)
        self.ready = b""
        self.round_ms = 1.0
        if service_held:
            chip.wire(22)
            chip.rp2040.gpio[22].set_input_value(False)
        chip.wire(15)
        chip.rp2040.gpio[15].set_input_value(False)  # the float's circuit is closed

    def modules(self):
        found = self.chip.modules()
        machine = found["machine"]
        machine.PWM = lambda pin, freq, duty_u16: SimpleNamespace(duty_u16=lambda value: self.told.append("stir"))
        machine.reset_cause, machine.WDT_RESET = lambda: 1, 3
        machine.WDT = lambda timeout: self._say(f"watchdog {timeout}", SimpleNamespace(feed=self._fed))
        micropython = ModuleType("micropython")
        micropython.kbd_intr = lambda char: self._say(f"kbd_intr {char}")
        select = ModuleType("select")
        select.POLLIN = 1
        select.poll = lambda: SimpleNamespace(register=lambda *_: None, poll=lambda ms: bool(self.ready))
        return {**found, "micropython": micropython, "select": select}

    def _say(self, what, found=None):
        self.told.append(what)
        return found

    def _fed(self):
        self.told.append("fed")
        self.chip.run(self.round_ms / 1000.0)
        if not self.chunks:
            raise Over
        self.ready = self.chunks.pop(0)

    def read(self, size):
        part, self.ready = self.ready[:size], self.ready[size:]
        return part

    def write(self, data):
        self.sent += data


def run(board, monkeypatch):
    """Run the shim on a board; return its names."""
    for name, module in board.modules().items():
        monkeypatch.setitem(sys.modules, name, module)
    node = firmware()
    node.__name__ = "node"
    monkeypatch.setitem(sys.modules, "node", node)
    monkeypatch.setattr(sys, "stdin", SimpleNamespace(buffer=SimpleNamespace(read=board.read)))
    monkeypatch.setattr(sys, "stdout", SimpleNamespace(buffer=SimpleNamespace(write=board.write)))
    names = {"__name__": "__main__"}
    exec(compile(MAIN.read_text(), str(MAIN), "exec"), names)
    return names


def shim(monkeypatch, chip):
    """Return the shim's names, of a board that is held for service."""
    with monkeypatch.context() as patched:
        return run(Board(chip, service_held=True), patched)


@pytest.fixture
def chip():
    return Chip()


def test_it_answers_frames_and_feeds_its_watchdog_in_every_round(monkeypatch, chip):
    crc = firmware().crc16
    ask = bytes([10, 4, 0, 3, 0, 3])  # with the byte that is Ctrl-C elsewhere
    board = Board(chip, [ask + crc(ask), b"", b""])
    with pytest.raises(Over):
        run(board, monkeypatch)

    assert board.sent[:3] == bytes([10, 4, 6])
    assert crc(board.sent[:-2]) == board.sent[-2:]
    assert board.told.count("fed") == 4


def test_no_byte_of_a_frame_interrupts_it(monkeypatch, chip):
    board = Board(chip, [])
    with pytest.raises(Over):
        run(board, monkeypatch)

    assert board.told[:2] == ["kbd_intr -1", "watchdog 400"]


def test_held_for_service_it_starts_nothing(monkeypatch, chip):
    board = Board(chip, [], service_held=True)
    run(board, monkeypatch)

    assert board.told == []


def frame(*body):
    return bytes(body) + firmware().crc16(bytes(body))


PERMIT = frame(10, 16, 0, 1, 0, 1, 2, 0, 2)
START = frame(10, 16, 0, 32, 0, 10, 20, 0, 9, 0, 0, 0, 0, 0, 200, 0, 0, 7, 208, 0, 0, 1, 144, 0, 0, 39, 16)
ASK = frame(10, 4, 0, 24, 0, 8)


def test_a_motion_over_the_loop_itself_comes_out_at_the_pad(monkeypatch, chip):
    """Permit, start, and a report when all is over: frames in at USB, pulses at the pin, the count out at USB."""
    board = Board(chip, [PERMIT, START, *[b""] * 200, PERMIT, *[b""] * 300, ASK, b""])
    with pytest.raises(Over):
        run(board, monkeypatch)

    assert sum(level for _, level in chip.edges[5]) == 200
    assert board.sent[-21:] == frame(10, 4, 16, 0, 9, 0, 2, 0, 0, 0, 200, 0, 0, 0, 200, 0, 0, 0, 200)


def test_the_shim_runs_under_micropython():
    """The file itself, line by line: permit, start, count, halt, report."""
    script = f"3:{(PERMIT + START).hex()} 150:{ASK.hex()}"
    stand_ins = Path(__file__).with_name("on_micropython.py")
    command = on_micropython("shim.mjs", NODE, MAIN, stand_ins, script)
    done = subprocess.run(command, capture_output=True, text=True, timeout=60)

    assert done.returncode == 0, done.stderr
    assert bytes.fromhex(done.stdout) == (
        frame(10, 16, 0, 1, 0, 1)
        + frame(10, 16, 0, 32, 0, 10)
        + frame(10, 4, 16, 0, 9, 0, 2, 0, 0, 0, 200, 0, 0, 0, 200, 0, 0, 0, 200)
    )
