"""No call of a driver lets anything out but the errors of ports.py, whatever a library raises, wherever it raises it.

Each driver is run whole with a proxy around what it uses of a library, which notes the calls; then each of these calls,
one after the other, is made to raise each foreign error: once, and from there on. What makes safe (`halt`, `drop`,
`close`, a stirrer's stop) and the look at a port raise nothing at all; and when the library works again, so does the
driver. A driver is a row of `ROWS`: how to open it on a bench of its own, a whole run of it, and the calls that are
known; a call that is not known fails `test_the_calls_of_a_whole_run_are_the_known_ones`.
"""

import errno
import itertools
import struct
import termios
from collections.abc import Callable
from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Any

import pytest
from pymodbus.exceptions import ModbusException, ModbusIOException
from serial import SerialException, SerialTimeoutException

from saltern.clock import VirtualClock
from saltern.ports import DriverError, Wires, at_once
from saltern_drivers import i2c_adc, i2c_scale, modbus_probe, modbus_pump, pump_node, serial_line, w1_temperature
from saltern_drivers.twin.load_cell import LoadCell
from tests.drivers.test_fresh_readings import OneConverter
from tests.drivers.test_modbus import crc
from tests.drivers.test_modbus_pump import MAP
from tests.modbus_boards import PumpBoard
from tests.node.boards import Here, NodePort
from tests.node.host import PUMP
from tests.sizes import sizes

ERRORS: dict[str, Callable[[], Exception]] = {
    "termios.error": lambda: termios.error(errno.EIO, "Input/output error"),
    "OSError(ENODEV)": lambda: OSError(errno.ENODEV, "No such device"),
    "OSError(EIO)": lambda: OSError(errno.EIO, "Input/output error"),
    "OSError(EAGAIN)": lambda: OSError(errno.EAGAIN, "Resource temporarily unavailable"),
    "struct.error": lambda: struct.error("required argument is not an integer"),
    "ModbusException": lambda: ModbusException("not a frame"),
    "ModbusIOException": lambda: ModbusIOException("no answer"),
    "SerialException": lambda: SerialException("device reports readiness to read but returned no data"),
    "SerialTimeoutException": lambda: SerialTimeoutException("Write timeout"),
    "TypeError": lambda: TypeError("argument must be an int, or have a fileno() method."),
}
LONGEST_S = 120.0


@dataclass
class Trap:
    """Notes the calls of a library, and lets them raise: the one of this number, or all from there on."""

    error: Callable[[], Exception] | None = None
    at: int = -1
    for_good: bool = False
    calls: list[str] = field(default_factory=list)

    def meet(self, name):
        self.calls.append(name)
        number = len(self.calls) - 1
        if self.error is not None and (number == self.at or (self.for_good and number > self.at >= 0)):
            raise self.error()

    def call(self, name, work):
        def met(*args, **kwargs):
            self.meet(name)
            return work(*args, **kwargs)

        return met

    def mend(self):
        self.error = None


class Proxy:
    """Stands before an object or a class of a library; what it hands out of the same library is proxied too."""

    def __init__(self, target, trap, library="", prefix=""):
        self.__dict__.update(_target=target, _trap=trap, _library=library, _prefix=prefix)

    def __getattr__(self, name):
        full = f"{self._prefix}{name}"
        if isinstance(getattr(type(self._target), name, None), property):
            self._trap.meet(full)
            return getattr(self._target, name)
        value = getattr(self._target, name)
        if not callable(value):
            return self._inner(value, f"{full}.")
        met = self._trap.call(full, value)
        return lambda *args, **kwargs: self._inner(met(*args, **kwargs), "")

    def _inner(self, value, prefix):
        of = value.__module__ if isinstance(value, type) else type(value).__module__
        return (
            Proxy(value, self._trap, self._library, prefix) if self._library and of.startswith(self._library) else value
        )

    def __setattr__(self, name, value):
        setattr(self._target, name, value)


class Board:
    """A serial port with a board of lines at its other end; with no query it talks by itself."""

    def __init__(self, clock, answers, by_itself=b""):
        self.clock, self.answers, self.by_itself = clock, answers, by_itself
        self.arriving, self.ready = [], b""
        if by_itself:
            self._talk()

    def _talk(self):
        self._say(self.by_itself)
        self.clock.call_later(0.5, self._talk)

    def _say(self, data):
        self.arriving.append((self.clock.monotonic() + 0.1, data))

    def write(self, data):
        self._say(self.answers.get(data, b""))
        return len(data)

    @property
    def in_waiting(self):
        now_s = self.clock.monotonic()
        self.ready = (self.ready + b"".join(data for due, data in self.arriving if due <= now_s))[-4000:]
        self.arriving = [(due, data) for due, data in self.arriving if due > now_s]
        return len(self.ready)

    def read(self, size=1):
        part, self.ready = self.ready[:size], self.ready[size:]
        return part

    def reset_input_buffer(self):
        self.ready = self.ready[:0] if self.in_waiting >= 0 else b""

    def close(self):
        pass


@dataclass
class Use:
    """A device in use: whatever its calls raise is looked at, and only a driver's error is let pass."""

    clock: VirtualClock
    device: Any
    errors: list[DriverError] = field(default_factory=list)

    def may(self, call, *args):
        """Call what may fail; return what it returned, and None of what has."""
        try:
            return call(*args)
        except DriverError as error:
            self.errors.append(error)
            return None

    def read(self):
        """Ask until there is a reading, as the bench does, after every error anew; return whether there was one."""
        until_s = self.clock.monotonic() + LONGEST_S
        while self.clock.monotonic() < until_s:
            self.may(self.device.request)
            if self.may(self.device.poll) is not None:
                return True
            self.device.connection()
            self.clock.sleep(0.1)
        return False


def run_probe(use):
    done = use.read()
    if getattr(use.device, "wants_temperature", False):
        use.may(use.device.compensate, 25.0)
        done = use.read() and done
    use.device.connection()
    return done


def run_pump(use, permit=None):
    """Turn to the end, and once more to be halted in the middle; what fails is halted and begun again."""
    until_s = use.clock.monotonic() + LONGEST_S
    while use.clock.monotonic() < until_s:
        use.device.connection()
        if turned(use, permit, 200, until_s) and turned(use, permit, 2000, use.clock.monotonic() + 0.5):
            return True
        use.clock.sleep(1.0)
    return False


def turned(use, permit, steps, until_s):
    failed = len(use.errors)
    if permit is not None:
        use.may(permit.kick)
    use.may(use.device.start, steps)
    while len(use.errors) == failed and use.clock.monotonic() < until_s:
        progress = use.may(use.device.progress)
        if progress is None or not progress.running:
            break
        if permit is not None:
            use.may(permit.kick)
        use.clock.sleep(0.1)
    use.device.halt()
    if permit is not None:
        permit.drop()
    use.device.progress()
    return len(use.errors) == failed


def run_stirrer(use):
    until_s = use.clock.monotonic() + LONGEST_S
    while use.clock.monotonic() < until_s:
        use.device.connection()
        failed = len(use.errors)
        use.may(use.device.set_speed, 0.5)
        use.device.set_speed(0.0)
        if len(use.errors) == failed:
            return True
        use.clock.sleep(1.0)
    return False


@dataclass(frozen=True)
class Row:
    """A driver: opened on a clock with a trap, run whole, and the library calls that a whole run makes."""

    open: Callable[[VirtualClock, Trap], Any]
    run: Callable[[Use], bool]
    calls: frozenset[str]


SERIAL = frozenset({"open", "reset_input_buffer", "write", "in_waiting", "read", "close"})
MODBUS = SERIAL | {"buildFrame", "handleFrame", "decoder.lookupPduClass", "calculateRtuFrameSize"}
I2C = frozenset({"open", "read_i2c_block_data", "write_i2c_block_data", "close"})


def serial_wires(clock, trap, port):
    opened = trap.call("open", lambda *_, **__: Proxy(port, trap))
    return Wires(clock=clock, pins=None, pulses=None, open_serial=opened)


def of_lines(by_itself=False, **more):
    def opened(clock, trap):
        answers = {b"i\r": b"PH,2\r", b"R\r": b"12.5\r"}
        board = Board(clock, answers, b"12.5\r" if by_itself else b"")
        options = {"port": "/dev/x", "query": "" if by_itself else "R", "pattern": r"(?P<value>\d+\.\d+)", "unit": "mV"}
        config = serial_line.Config.model_validate({**options, "identify": "i", "identity": "^PH", **more})
        return serial_line.open_board(config, serial_wires(clock, trap, board))

    return opened


def framed(device, trap):
    line = getattr(device, "_line", None) or device._link.line
    line._framer = Proxy(line._framer, trap, library="pymodbus")
    return device


def of_registers(clock, trap):
    port = Board(clock, {crc([7, 3, 0, 0, 0, 1]): crc([7, 3, 2, 0, 100])})
    config = modbus_probe.Config.model_validate({"port": "/dev/x", "device": 7, "address": 0, "unit": "mV"})
    return framed(modbus_probe.open_probe(config, serial_wires(clock, trap, port)), trap)


def of_pump_registers(clock, trap):
    config = modbus_pump.Config.model_validate(MAP)
    return framed(modbus_pump.open_pump(config, serial_wires(clock, trap, PumpBoard(clock, 1000))), trap)


def of_node(clock, trap):
    wires = serial_wires(clock, trap, NodePort(clock, Here()))
    pump = framed(pump_node.PUMP.open(pump_node.PumpConfig(**PUMP), wires), trap)
    permit = pump_node.PERMIT.open(pump_node.Config(port="/dev/node", pump="titrant"), wires)

    def close():
        pump.close()
        permit.close()

    shown = {name: getattr(pump, name) for name in ("start", "progress", "halt", "connection")}
    return SimpleNamespace(permit=permit, close=close, **shown)


def of_node_stirrer(clock, trap):
    wires = serial_wires(clock, trap, NodePort(clock, Here()))
    return framed(pump_node.STIR.open(pump_node.StirrerConfig(port="/dev/node"), wires), trap)


def i2c_wires(clock, trap, bus):
    opened = trap.call("open", lambda number: Proxy(bus, trap))
    return Wires(clock=clock, pins=None, pulses=None, open_serial=lambda *_, **__: None, open_i2c=opened)


def of_converter(clock, trap):
    config = i2c_adc.Config.model_validate({"input": "0"})
    return i2c_adc.open_converter(config, i2c_wires(clock, trap, OneConverter(clock, {4: 1000})))


class LoadCellBus:
    """The bus that the twin's load-cell chip is on."""

    def __init__(self, clock):
        self.chip = LoadCell(clock, lambda: 100_000)

    def read_i2c_block_data(self, i2c_addr, register, length):
        return self.chip.read(register, length)

    def write_i2c_block_data(self, i2c_addr, register, data):
        self.chip.write(register, data[0])

    def close(self):
        pass


def of_load_cell(clock, trap):
    return i2c_scale.open_scale(i2c_scale.Config(g_per_count=0.001), i2c_wires(clock, trap, LoadCellBus(clock)))


def of_kernels_file(clock, trap):
    probe = w1_temperature.W1Thermometer(clock, w1_temperature.Config(sensor="28-00000b5c21aa"))
    probe._file = Proxy(SimpleNamespace(read_text=lambda: "25437\n", exists=lambda: True), trap)
    probe._reader.shutdown()
    probe._reader = SimpleNamespace(submit=at_once, shutdown=lambda **_: None)
    return probe


ROWS: dict[str, Row] = {
    "serial-line, asked": Row(of_lines(compensate="T,{celsius:.1f}"), run_probe, SERIAL),
    "serial-line, by itself": Row(of_lines(by_itself=True), run_probe, SERIAL),
    "modbus-probe": Row(of_registers, run_probe, MODBUS),
    "modbus-pump": Row(of_pump_registers, run_pump, MODBUS),
    "node-pump, node-permit": Row(of_node, lambda use: run_pump(use, use.device.permit), MODBUS),
    "node-stirrer": Row(of_node_stirrer, run_stirrer, SERIAL - {"read"} | {"buildFrame"}),
    "i2c-adc": Row(of_converter, run_probe, I2C),
    "i2c-scale": Row(of_load_cell, run_probe, I2C),
    "w1-temperature": Row(of_kernels_file, run_probe, frozenset({"read_text", "exists"})),
}


def recorded(row):
    """Return the calls of a run in which nothing fails."""
    trap, clock = Trap(), VirtualClock()
    use = Use(clock, row.open(clock, trap))
    assert row.run(use)
    assert use.errors == []
    use.device.close()
    return trap.calls


@pytest.mark.parametrize("name", ROWS)
def test_the_calls_of_a_whole_run_are_the_known_ones(name):
    assert set(recorded(ROWS[name])) == ROWS[name].calls


def every_instant(calls):
    """Return every call to fail, once and for good."""
    return list(itertools.product(range(len(calls)), (False, True)))


def some_instants(calls):
    """Return the calls to fail, and whether for good: of each kind the first, both ways, and the last."""
    numbers: dict[str, list[int]] = {}
    for number, call in enumerate(calls):
        numbers.setdefault(call, []).append(number)
    firsts = {(found[0], for_good) for found in numbers.values() for for_good in (False, True)}
    return sorted(firsts | {(found[-1], False) for found in numbers.values()})


@pytest.mark.parametrize("error", ERRORS)
@pytest.mark.parametrize("name", ROWS)
@pytest.mark.parametrize("instants", sizes(some_instants, in_soak=every_instant))
def test_whatever_a_library_raises_comes_out_as_a_drivers_error_and_passes(name, error, instants):
    row = ROWS[name]
    for at, for_good in instants(recorded(row)):
        trap, clock = Trap(ERRORS[error], at, for_good), VirtualClock()
        use = Use(clock, row.open(clock, trap))
        if for_good:
            use.clock.call_later(20.0, trap.mend)
        failed_at = trap.calls[at] if at < len(trap.calls) else "a later call"
        assert row.run(use), f"it does not come back after {error} at call {at} ({failed_at}); {use.errors[-1:]}"
        trap.mend()
        assert row.run(use), f"it does not work again after {error} at call {at} ({failed_at})"
        use.device.close()


@pytest.mark.parametrize("error", ERRORS)
@pytest.mark.parametrize("name", ROWS)
def test_it_closes_quietly_though_everything_fails(name, error):
    row = ROWS[name]
    trap, clock = Trap(), VirtualClock()
    use = Use(clock, row.open(clock, trap))
    assert row.run(use)
    trap.error, trap.at, trap.for_good = ERRORS[error], 0, True
    use.device.close()
