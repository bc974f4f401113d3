"""A reading is never older than its question: what was asked for and not fetched, hours ago, is nobody's answer.

A stop in the middle of a reading leaves a question behind; the next that is asked must not get that one's answer.
"""

import itertools
from dataclasses import replace

import pytest

from saltern.testing import ScriptedPort, wait_for
from saltern_drivers import gpio_tachometer, i2c_adc, modbus_probe, w1_temperature
from saltern_drivers.serial_line import Config, LineBoard
from tests.drivers.conftest import over
from tests.drivers.test_modbus import crc
from tests.drivers.test_small_probes import NUMBER

HOURS_S = 7200.0
PATTERN = r"(?P<value>[-+]?\d+\.\d+)"


def test_a_query_that_nobody_fetched_is_asked_again(clock):
    port = ScriptedPort(clock, [(b"R\r", [(0.3, b"-1.0\r")]), (b"R\r", [(0.3, b"-2.0\r")])])
    board = LineBoard(over(port, clock), clock, Config(port="/dev/x", query="R", pattern=PATTERN, unit="mV"))
    board.request()
    clock.sleep(HOURS_S)
    board.request()

    assert wait_for(board, clock).value == -2.0


class Talker:
    """A board that sends a line a second, whoever listens, into a kernel's buffer of 4095 bytes."""

    def __init__(self, clock, ends_line=b"\r"):
        self.clock, self.buffer, self.sent = clock, b"", {}
        self.ends_line = ends_line
        self.numbers = itertools.count()
        self._tell()

    def _tell(self):
        number = next(self.numbers)
        self.sent[round(100.0 + 0.05 * number, 2)] = self.clock.monotonic()
        line = f"{100.0 + 0.05 * number:.2f}".encode() + self.ends_line
        self._arrive(line[:3])
        self.clock.call_later(0.02, lambda: self._arrive(line[3:]))
        self.clock.call_later(1.0, self._tell)

    def _arrive(self, data):
        self.buffer = (self.buffer + data)[:4095]

    @property
    def in_waiting(self):
        return len(self.buffer)

    def read(self, size=1):
        part, self.buffer = self.buffer[:size], self.buffer[size:]
        return part

    def reset_input_buffer(self):
        self.buffer = b""


@pytest.mark.parametrize("pause_s", [0.0, 0.01, 3.3, 61.01, 300.0, HOURS_S + 0.01, HOURS_S + 0.5])
def test_a_board_that_sends_by_itself_is_heard_as_it_is_now(clock, pause_s):
    port = Talker(clock)
    board = LineBoard(over(port, clock), clock, Config(port="/dev/x", pattern=PATTERN, unit="mV", timeout_s=2.5))
    clock.sleep(0.01)
    for _ in range(3):
        clock.sleep(pause_s)
        asked_s = clock.monotonic()
        board.request()
        reading = wait_for(board, clock)

        assert port.sent[reading.value] >= asked_s - 0.03  # under way at most
        assert reading.at_s - asked_s <= 2.2


def test_a_board_that_sends_by_itself_costs_no_more_than_its_own_time(clock):
    port = Talker(clock)
    board = LineBoard(over(port, clock), clock, Config(port="/dev/x", pattern=PATTERN, unit="mV", timeout_s=2.5))
    values = []
    for _ in range(20):
        board.request()
        values.append(wait_for(board, clock).value)

    assert [b - a for a, b in itertools.pairwise(values)] == [pytest.approx(0.05)] * 19


def test_the_end_of_a_line_that_began_before_the_port_was_opened_is_no_reading(clock):
    port = ScriptedPort(clock, [])
    port.say((0.1, b"2.50\r"), (1.1, b"112.75\r"))  # the first began as 112.50
    board = LineBoard(over(port, clock), clock, Config(port="/dev/x", pattern=PATTERN, unit="mV", timeout_s=2.5))
    board.request()

    assert wait_for(board, clock).value == 112.75


def test_a_modbus_answer_that_nobody_fetched_is_asked_for_again(wires, clock):
    ask = crc([7, 3, 0, 0, 0, 1])
    answers = [(ask, [(0.02, crc([7, 3, 2, 0, 100]))]), (ask, [(0.02, crc([7, 3, 2, 0, 200]))])]
    port = ScriptedPort(clock, answers)
    config = modbus_probe.Config(port="/dev/x", device=7, address=0, unit="mV")
    probe = modbus_probe.open_probe(config, replace(wires, open_serial=lambda *_, **__: port, shared={}))
    probe.request()
    clock.sleep(HOURS_S)
    probe.request()

    assert wait_for(probe, clock).value == 200.0


class OneConverter:
    """An ADS1115: one conversion at a time, of the input that was asked for last."""

    def __init__(self, clock, counts):
        self.clock, self.counts = clock, counts
        self.word, self.asked_s, self.last = 0x8583, -1.0, 0

    def write_i2c_block_data(self, i2c_addr, register, data):
        self.word, self.asked_s = data[0] << 8 | data[1], self.clock.monotonic()

    def read_i2c_block_data(self, i2c_addr, register, length):
        converting = self.clock.monotonic() - self.asked_s < 0.125
        if not converting:
            self.last = self.counts[self.word >> 12 & 7]
        if register == 1:
            word = self.word & 0x7FFF | (0 if converting else 0x8000)
            return [word >> 8, word & 0xFF]
        return [self.last >> 8, self.last & 0xFF]

    def close(self):
        pass


def test_two_inputs_of_one_converter_never_get_each_others_conversion(wires, clock):
    chip = OneConverter(clock, {4: 1000, 5: 2000})
    wires = replace(wires, open_i2c=lambda number: chip, shared={})
    first, second = (
        i2c_adc.open_converter(i2c_adc.Config.model_validate({"input": which}), wires) for which in ("0", "1")
    )
    for pause_s in (0.0, 0.05, 0.2, HOURS_S):
        first.request()  # and a stop comes
        clock.sleep(pause_s)
        second.request()
        assert wait_for(second, clock).value == pytest.approx(125.0)
        first.request()
        assert wait_for(first, clock).value == pytest.approx(62.5)


def test_a_converters_conversion_that_nobody_fetched_is_made_again(wires, clock):
    chip = OneConverter(clock, {4: 1000})
    board = i2c_adc.open_converter(
        i2c_adc.Config.model_validate({"input": "0"}), replace(wires, open_i2c=lambda number: chip, shared={})
    )
    board.request()
    clock.sleep(1.0)
    chip.read_i2c_block_data(0x48, 0, 2)
    clock.sleep(HOURS_S)
    began_s = clock.monotonic()
    board.request()
    wait_for(board, clock)

    assert chip.asked_s == began_s


def test_a_tachometer_counts_from_its_question(wires, clock, pins):
    tachometer = gpio_tachometer.open_tachometer(gpio_tachometer.Config(pin=6, pulses_per_turn=1, window_s=1.0), wires)
    tachometer.request()
    clock.sleep(HOURS_S)  # the stirrer stood
    tachometer.request()
    for _ in range(20):
        clock.sleep(0.05)
        pins.pin("GPIO6").drive_low()
        pins.pin("GPIO6").drive_high()

    assert wait_for(tachometer, clock).value == pytest.approx(1200.0, rel=0.1)


def test_a_thermometers_file_that_nobody_fetched_is_read_again(tmp_path, clock):
    folder = tmp_path / NUMBER
    folder.mkdir()
    (folder / "temperature").write_text("20000\n")
    probe = w1_temperature.W1Thermometer(clock, w1_temperature.Config(sensor=NUMBER, folder=str(tmp_path)))
    probe.request()
    while not probe._reading.done():
        pass
    (folder / "temperature").write_text("25000\n")
    clock.sleep(HOURS_S)
    probe.request()
    while not probe._reading.done():
        pass

    assert probe.poll().value == 25.0
    probe.close()
