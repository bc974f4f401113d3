"""A pin that a bus owns is no pin for a motor: `check` says so before anything is wired."""

import pytest

from saltern.bench.devices import validate_devices
from saltern.config.loading import bench_from
from saltern.errors import StartupError
from tests.twin_bench import bench_table

SERIAL = {"driver": "serial-line", "query": "R", "pattern": "(?P<value>.+)", "unit": "degC"}


def mistakes(changes, example="bench-header.toml"):
    try:
        validate_devices(bench_from(bench_table(changes, example), where="bench"))
    except StartupError as error:
        return str(error)
    return ""


@pytest.mark.parametrize("pin", [2, 3])
def test_a_float_on_a_pin_of_the_i2c_bus_is_refused(pin):
    assert f"GPIO {pin} belongs to the I2C bus 1" in mistakes({"switches.leak.pin": pin})


def test_the_same_pins_are_free_where_nothing_hangs_on_that_bus():
    assert mistakes({"switches.leak.pin": 2}, "bench-serial.toml") == ""


@pytest.mark.parametrize("port", ["/dev/serial0", "/dev/ttyAMA0"])
def test_a_permit_on_the_pins_of_the_headers_serial_port_is_refused(port):
    changes = {"probes.temperature.board": {**SERIAL, "port": port}, "pumps.waste.permit.pin": 14}

    assert f"GPIO 14 belongs to the serial port {port}" in mistakes(changes)


def test_a_board_on_usb_takes_no_pin():
    board = {**SERIAL, "port": "/dev/serial/by-id/usb-board"}

    assert mistakes({"probes.temperature.board": board, "pumps.waste.permit.pin": 14}) == ""


def test_a_float_on_the_1_wire_bus_is_refused():
    board = {"driver": "w1-temperature", "sensor": "28-00000b5c21aa"}

    assert "GPIO 4 belongs to the 1-wire bus" in mistakes(
        {"probes.temperature.board": board, "switches.leak.pin": 4}, "bench-serial.toml"
    )


@pytest.mark.parametrize("pin", [2, 5, 8])
def test_a_stirrer_on_a_pin_that_is_high_from_reset_is_refused(pin):
    assert f"GPIO {pin} is pulled high from reset" in mistakes({"stirrer.drive.pin": pin}, "bench-serial.toml")
