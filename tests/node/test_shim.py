"""The node's shim, run on a stand-in for the board's modules: what it does before and in each round of its loop.

It says nothing of pulses: those are the board's own.
"""

import sys
from pathlib import Path
from types import ModuleType, SimpleNamespace

import pytest

from tests.node.boards import NODE, firmware

MAIN = Path(NODE).with_name("main.py")


class Over(Exception):  # noqa: N818 - the end of the test, not an error
    """The script has been played to its end."""


class Board:
    """What the shim touches, and the order in which it does."""

    def __init__(self, chunks, service_held=False):
        self.told, self.sent, self.chunks = [], b"", list(chunks)
        self.ready = b""
        self.pins = {22: 0 if service_held else 1, 15: 0}

    def modules(self):
        machine = ModuleType("machine")
        machine.Pin = lambda number, *mode, value=0: SimpleNamespace(
            value=lambda *new: self._pin(number, *new), init=lambda *_, **__: None
        )
        machine.Pin.OUT, machine.Pin.IN, machine.Pin.PULL_UP = "out", "in", "up"
        machine.PWM = lambda pin, freq, duty_u16: SimpleNamespace(duty_u16=lambda value: self.told.append("stir"))
        machine.reset_cause, machine.WDT_RESET = lambda: 1, 3
        machine.WDT = lambda timeout: self._say(f"watchdog {timeout}", SimpleNamespace(feed=self._fed))
        rp2 = ModuleType("rp2")
        rp2.asm_pio = lambda **_: lambda program: program
        rp2.PIO, rp2.StateMachine = SimpleNamespace(OUT_LOW=0), None
        micropython = ModuleType("micropython")
        micropython.kbd_intr = lambda char: self._say(f"kbd_intr {char}")
        select = ModuleType("select")
        select.POLLIN = 1
        select.poll = lambda: SimpleNamespace(register=lambda *_: None, poll=lambda ms: bool(self.ready))
        time = ModuleType("time")
        time.ticks_ms = time.ticks_us = lambda: 0
        time.ticks_diff = lambda now, then: now - then
        return {m.__name__: m for m in (machine, rp2, micropython, select, time)}

    def _say(self, what, found=None):
        self.told.append(what)
        return found

    def _pin(self, number, *new):
        if new:
            self.pins[number] = new[0]
        return self.pins.get(number, 0)

    def _fed(self):
        self.told.append("fed")
        if not self.chunks:
            raise Over
        self.ready = self.chunks.pop(0)

    def read(self, size):
        part, self.ready = self.ready[:size], self.ready[size:]
        return part

    def write(self, data):
        self.sent += data


def run(board, monkeypatch):
    for name, module in board.modules().items():
        monkeypatch.setitem(sys.modules, name, module)
    node = firmware()
    node.__name__ = "node"
    monkeypatch.setitem(sys.modules, "node", node)
    monkeypatch.setattr(sys, "stdin", SimpleNamespace(buffer=SimpleNamespace(read=board.read)))
    monkeypatch.setattr(sys, "stdout", SimpleNamespace(buffer=SimpleNamespace(write=board.write)))
    exec(compile(MAIN.read_text(), str(MAIN), "exec"), {"__name__": "__main__"})


def test_it_answers_frames_and_feeds_its_watchdog_in_every_round(monkeypatch):
    crc = firmware().crc16
    ask = bytes([10, 4, 0, 3, 0, 3])  # with the byte that is Ctrl-C elsewhere
    board = Board([ask + crc(ask), b"", b""])
    with pytest.raises(Over):
        run(board, monkeypatch)

    assert board.sent[:3] == bytes([10, 4, 6])
    assert crc(board.sent[:-2]) == board.sent[-2:]
    assert board.told.count("fed") == 4


def test_no_byte_of_a_frame_interrupts_it(monkeypatch):
    board = Board([])
    with pytest.raises(Over):
        run(board, monkeypatch)

    assert board.told[:2] == ["kbd_intr -1", "watchdog 400"]


def test_held_for_service_it_starts_nothing(monkeypatch):
    board = Board([], service_held=True)
    run(board, monkeypatch)

    assert board.told == []
