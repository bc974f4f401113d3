"""The production drivers on the real pyserial and real terminals of the kernel, that hang up and come back.

A pseudo-terminal stands for a USB adapter, and a symbolic link for its name in /dev/serial/by-id. Pulling it out closes
the terminal's other end, which hangs up whoever has it open; plugged in again it has another number, and the same name.
What a board answers, it answers in the test's own loop: nothing here waits for a thread, but for the port's opening.
"""

import os
import pty
import tty
from pathlib import Path

import pytest
from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU
from pymodbus.pdu.register_message import ReadHoldingRegistersResponse

from saltern.clock import RealClock
from saltern.ports import DeviceUnavailableError, DriverError, ReplyError, Wires
from saltern_drivers import modbus_probe, serial_line
from saltern_drivers.gpio_lines import open_serial
from saltern_drivers.returning import in_a_thread

POLL_S, PATIENCE_S = 0.01, 60.0
STALL_S = 0.1  # seen on two busy cores
PATTERN = r"(?P<value>[-+]?\d+\.\d+)"


class Adapter:
    """A USB adapter with a board behind it, plugged in under its stable name."""

    def __init__(self, folder: Path):
        self.name = folder / "usb-a-board-of-ours"
        self._ends = None
        self.asked = []

    def plug(self, board):
        master, slave = pty.openpty()
        tty.setraw(slave)
        os.set_blocking(master, False)
        self._ends, self.board = (master, slave), board
        self.name.symlink_to(os.ttyname(slave))

    def pull(self):
        if self._ends is not None:
            self.name.unlink()
            for end in self._ends:
                os.close(end)
            self._ends = None

    def say(self, data):
        os.write(self._ends[0], data)

    def serve(self):
        """Let the board hear what was sent to it, and answer."""
        if self._ends is None:
            return
        try:
            heard = os.read(self._ends[0], 4096)
        except BlockingIOError:
            heard = b""
        if heard:
            self.asked.append(heard)
        self.say(self.board(heard))


class Lines:
    """A board of lines, by its identity and what it reads."""

    def __init__(self, identity, value, *, by_itself=False):
        self.identity, self.value, self.by_itself = identity, value, by_itself

    def __call__(self, heard):
        answers = {b"i\r": self.identity.encode() + b"\r", b"R\r": b"" if self.by_itself else self.answer()}
        if not heard:
            return self.answer() if self.by_itself else b""
        return b"".join(answers[line + b"\r"] for line in heard.split(b"\r")[:-1])

    def answer(self):
        return f"{self.value:.2f}\r".encode()


class Registers:
    """A transmitter, spoken to through pymodbus's own server side."""

    def __init__(self, value):
        self.value, self._framer = value, FramerRTU(DecodePDU(True))

    def __call__(self, heard):
        return self.answer() if heard and self._framer.handleFrame(heard, 0, 0)[1] is not None else b""

    def answer(self):
        return self._framer.buildFrame(ReadHoldingRegistersResponse(registers=[round(100 * self.value)], dev_id=3))


def of_lines(name, wires, **more):
    options = {"port": str(name), "pattern": PATTERN, "unit": "mV", "timeout_s": 2.0, **more}
    return serial_line.open_board(serial_line.Config.model_validate(options), wires)


def of_registers(name, wires):
    options = {"port": str(name), "device": 3, "address": 0, "unit": "mV", "scale": 0.01, "timeout_s": 2.0}
    return modbus_probe.open_probe(modbus_probe.Config.model_validate(options), wires)


KINDS = {
    "a query": (lambda value: Lines("PH,2", value), lambda n, w: of_lines(n, w, query="R")),
    "a query, with identity": (
        lambda value: Lines("PH,2", value),
        lambda n, w: of_lines(n, w, query="R", identify="i", identity="^PH"),
    ),
    "by itself, with identity": (
        lambda value: Lines("PH,2", value, by_itself=True),
        lambda n, w: of_lines(n, w, identify="i", identity="^PH"),
    ),
    "Modbus": (Registers, of_registers),
}


@pytest.fixture
def wires():
    return Wires(clock=RealClock(), pins=None, pulses=None, open_serial=open_serial, aside=in_a_thread)


@pytest.fixture
def adapter(tmp_path):
    made = Adapter(tmp_path)
    yield made
    made.pull()


@pytest.fixture(params=KINDS)
def kind(request):
    return KINDS[request.param]


def until(clock, done):
    began_s = clock.monotonic()
    while not done():
        assert clock.monotonic() - began_s < PATIENCE_S
        clock.sleep(POLL_S)


def read(probe, adapter, clock):
    """Ask for a reading as the bench does, again after every error of a driver, and return it with these errors."""
    readings, errors = [], []

    def asked():
        try:
            probe.request()
            adapter.serve()
            reading = probe.poll()
        except DriverError as error:
            errors.append(error)
            return False
        if reading is not None:
            readings.append(reading.value)
        return bool(readings)

    until(clock, asked)
    return readings[0], errors


def first_error(probe, clock):
    """Ask until a call fails, and return its error; no reading may come before it."""
    errors = []

    def failed():
        try:
            assert probe.poll() is None
            probe.request()
        except DriverError as error:
            errors.append(error)
        return bool(errors)

    until(clock, failed)
    return errors[0]


def at_rest(probe, adapter):
    adapter.pull()


def asked(probe, adapter):
    probe.request()
    adapter.pull()


def in_the_middle_of_an_answer(probe, adapter):
    probe.request()
    adapter.say(adapter.board.answer()[:3])
    assert probe.poll() is None
    adapter.pull()


def answered_and_not_read_yet(probe, adapter):
    probe.request()
    adapter.say(adapter.board.answer())
    adapter.pull()


@pytest.mark.parametrize("when", [at_rest, asked, in_the_middle_of_an_answer, answered_and_not_read_yet])
def test_after_a_hang_up_nothing_from_before_counts_and_the_board_is_read_again(adapter, wires, kind, when):
    board, opened = kind
    adapter.plug(board(11.11))
    probe = opened(adapter.name, wires)
    assert read(probe, adapter, wires.clock) == (11.11, [])

    when(probe, adapter)
    error = first_error(probe, wires.clock)
    assert isinstance(error, DeviceUnavailableError)
    assert "opened again by itself" in error.remedy
    assert not probe.connection().up
    adapter.asked.clear()
    adapter.plug(board(22.22))
    value, errors = read(probe, adapter, wires.clock)

    assert value == 22.22
    assert all(isinstance(error, DeviceUnavailableError) for error in errors)
    assert probe.connection().up
    assert probe.connection().returns == 1
    if "identity" in str(kind):
        assert adapter.asked[0] == b"i\r"
    probe.close()


def test_a_hang_up_between_two_calls_of_pyserial_is_one_of_ours(adapter, wires, kind):
    """The worst instant: bytes wait, and are gone when they are fetched."""
    board, opened = kind
    adapter.plug(board(11.11))
    probe = opened(adapter.name, wires)
    read(probe, adapter, wires.clock)
    probe.request()
    adapter.say(adapter.board.answer())
    port = (probe._line._port if hasattr(probe, "_line") else probe._port)._port
    handle = port.ready()
    until(wires.clock, lambda: handle.in_waiting > 0)
    waiting = handle.in_waiting
    adapter.pull()

    for call in (lambda p: p.read(waiting), lambda p: p.write(b"R\r"), lambda p: p.reset_input_buffer()):
        with pytest.raises(DeviceUnavailableError):
            port.use(call)
    probe.close()


def test_a_computer_that_stalls_in_the_middle_of_a_write_does_not_lose_the_port(adapter, wires, kind, monkeypatch):
    board, opened = kind
    adapter.plug(board(11.11))
    probe = opened(adapter.name, wires)
    written = os.write

    def stalls(file, data):
        taken = written(file, data)
        wires.clock.sleep(STALL_S)
        return taken

    monkeypatch.setattr("serial.serialposix.os.write", stalls)
    probe.request()
    monkeypatch.undo()

    assert probe.connection().up
    assert read(probe, adapter, wires.clock) == (11.11, [])
    assert probe.connection().returns == 0
    probe.close()


def test_a_board_that_takes_no_bytes_ends_in_one_of_our_errors_and_not_in_a_wait(adapter, wires):
    adapter.plug(lambda heard: b"")
    probe = of_lines(adapter.name, wires, query="R" * 60)

    def ask_often():
        for _ in range(10_000):  # nobody reads them: the kernel's buffer is full before
            probe._port.write(b"R\r")

    with pytest.raises(DeviceUnavailableError, match="Write timeout"):
        ask_often()
    probe.close()


@pytest.mark.parametrize("query", ["R", ""])
def test_another_board_behind_the_same_name_is_refused_by_its_identity(adapter, wires, query):
    adapter.plug(Lines("PH,2", 11.11, by_itself=not query))
    probe = of_lines(adapter.name, wires, query=query, identify="i", identity="^PH")
    read(probe, adapter, wires.clock)
    adapter.pull()
    adapter.plug(Lines("EC,2", 33.33))
    refused = []

    def found():
        try:
            probe.request()
            adapter.serve()
            assert probe.poll() is None
        except ReplyError as error:
            refused.append(error)
        except DeviceUnavailableError:
            pass
        return bool(refused)

    until(wires.clock, found)
    assert "another board answers here: 'EC,2'" in refused[0].what
    probe.close()


def test_a_board_that_is_plugged_in_after_the_start_is_found(adapter, wires, kind):
    board, opened = kind
    probe = opened(adapter.name, wires)
    error = first_error(probe, wires.clock)
    assert isinstance(error, DeviceUnavailableError)
    assert "cannot be opened" in error.what
    assert probe.connection().trouble
    adapter.plug(board(22.22))
    until(wires.clock, lambda: probe.connection().up)

    assert read(probe, adapter, wires.clock)[0] == 22.22
    assert probe.connection().returns == 1
    probe.close()


def test_bytes_that_wait_from_before_the_port_was_opened_again_are_thrown_away(adapter, wires):
    adapter.plug(Lines("PH,2", 11.11))
    probe = of_lines(adapter.name, wires, query="")
    adapter.pull()
    with pytest.raises(DeviceUnavailableError):
        probe.request()
    adapter.plug(lambda heard: b"")
    adapter.say(b"99.99\r88.88\r")
    until(wires.clock, lambda: probe.connection().up)
    probe.request()
    adapter.say(b"1.5\r22.22\r")  # the first may be the end of a longer one

    until(wires.clock, lambda: (reading := probe.poll()) is not None and reading.value == 22.22)
    probe.close()
