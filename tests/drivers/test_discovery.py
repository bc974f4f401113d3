"""What hangs on a computer is found, named and turned into lines of a bench file that its driver takes."""

import termios
import tomllib
from dataclasses import dataclass

import pytest
from pydantic import ValidationError

from saltern_drivers import discovery, i2c_scale, serial_line, w1_temperature


@dataclass
class Board:
    """Answers one question at one speed."""

    baud: int
    query: bytes
    answer: bytes
    asked: bytes = b""

    def open(self, port, baudrate, **settings):
        self.speed, self.asked = baudrate, b""
        return self

    def __enter__(self):
        return self

    def __exit__(self, *_):
        return None

    def reset_input_buffer(self):
        self.asked = b""

    def write(self, data):
        self.asked += data

    def read_until(self, terminator, size):
        return self.answer if (self.speed, self.asked) == (self.baud, self.query) else b""


@pytest.mark.parametrize(
    "board", [Board(9600, b"R\r", b"-12.5\r"), Board(115_200, b"R\n", b"7.95\n"), Board(9600, b"", b"25.1\n")]
)
def test_a_board_that_answers_is_described_so_that_its_driver_takes_it(tmp_path, board):
    by_id = tmp_path / "by-id"
    by_id.mkdir()
    (by_id / "usb-board").write_text("")
    (found,) = discovery.serial_ports(by_id, tmp_path, board.open)
    table = tomllib.loads(found.config)

    assert table.pop("driver") == "serial-line"
    with pytest.raises(ValidationError, match="unit"):
        serial_line.Config.model_validate(table)  # which unit it is, only the builder knows
    assert serial_line.Config.model_validate({**table, "unit": "mV"}).baud == board.baud


def test_a_silent_port_and_one_without_a_stable_name_are_told_apart(tmp_path):
    by_id = tmp_path / "by-id"
    by_id.mkdir()
    (tmp_path / "ttyUSB0").write_text("")
    (tmp_path / "ttyUSB1").write_text("")
    (by_id / "usb-quiet").symlink_to(tmp_path / "ttyUSB0")
    found = list(discovery.serial_ports(by_id, tmp_path, Board(1, b"", b"").open))

    assert "answers no line" in found[0].what
    assert "stable name" in found[1].what
    assert found[1].where.endswith("ttyUSB1")


@pytest.mark.parametrize("error", [OSError(16, "busy"), termios.error(5, "Input/output error"), ValueError("baud")])
def test_a_port_in_use_or_lost_while_it_is_asked_is_said_to_be(tmp_path, error):
    def busy(*_, **__):
        raise error

    by_id = tmp_path / "by-id"
    by_id.mkdir()
    (by_id / "usb-board").write_text("")
    (found,) = discovery.serial_ports(by_id, tmp_path, busy)
    assert "is the service using it" in found.what


class Bus:
    """Chips at two known addresses and at an unknown one."""

    def __init__(self, number):
        self.number = number

    def read_byte(self, address):
        if address not in (0x2A, 0x49, 0x60):
            raise OSError(121, "no answer")
        return 0

    def close(self):
        pass


def test_chips_are_known_by_their_addresses(tmp_path):
    (tmp_path / "i2c-1").write_text("")
    found = {one.where.rsplit(" ", 1)[1]: one for one in discovery.i2c_buses(tmp_path, Bus)}

    assert set(found) == {"0x2a", "0x49", "0x60"}
    adc = tomllib.loads(found["0x49"].config)
    assert adc == {"driver": "i2c-adc", "address": 0x49}
    scale = tomllib.loads(found["0x2a"].config)
    assert i2c_scale.Config.model_validate({k: v for k, v in scale.items() if k != "driver"}).address == 0x2A
    assert found["0x60"].config == ""


def test_thermometers_on_the_wire_show_what_they_read(tmp_path):
    sensor = tmp_path / "28-00000b5c21aa"
    sensor.mkdir()
    (sensor / "temperature").write_text("24062\n")
    (found,) = discovery.w1_sensors(tmp_path)
    table = tomllib.loads(found.config)

    assert "24.1 degC" in found.what
    assert w1_temperature.Config.model_validate({"sensor": table["sensor"]}).sensor == sensor.name


def test_a_computer_without_a_header_says_so(tmp_path):
    (found,) = discovery.gpio_chips(tmp_path)
    assert "no header" in found.what
