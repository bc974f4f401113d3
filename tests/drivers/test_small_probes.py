"""The 1-wire thermometer and the tachometer: files as the kernel keeps them, edges as a motor sends them."""

from contextlib import suppress
from dataclasses import replace

import pytest

from saltern.clock import RealClock
from saltern.ports import DeviceSilentError, DeviceUnavailableError, ReplyError, Wires
from saltern_drivers import gpio_tachometer, w1_temperature
from tests.processes import until

NUMBER = "28-00000b5c21aa"


@pytest.fixture
def bus(tmp_path):
    folder = tmp_path / NUMBER
    folder.mkdir()
    return folder


def thermometer(bus):
    wires = Wires(clock=RealClock(), pins=None, pulses=None, open_serial=lambda *_, **__: None)
    return w1_temperature.open_thermometer(w1_temperature.Config(sensor=NUMBER, folder=str(bus.parent)), wires)


def wait_for(probe):
    """Ask until it answers: on a busy machine its thread may come later than the driver waits."""
    while True:
        probe.request()
        with suppress(DeviceSilentError):
            return until(probe.poll)


def test_the_kernels_millidegrees_become_a_reading(bus):
    (bus / "temperature").write_text("25437\n")
    probe = thermometer(bus)
    assert wait_for(probe).value == pytest.approx(25.437)
    (bus / "temperature").write_text("-62\n")
    assert wait_for(probe).value == pytest.approx(-0.062)
    probe.close()


@pytest.mark.parametrize("text", ["85000\n", "127937\n", "", "t=25\n"])
def test_what_is_no_reading_is_refused(bus, text):
    (bus / "temperature").write_text(text)
    probe = thermometer(bus)
    with pytest.raises(ReplyError):
        wait_for(probe)
    probe.close()


def test_a_sensor_that_is_not_there_or_has_gone_says_so(bus):
    probe = thermometer(bus)
    with pytest.raises(DeviceUnavailableError, match="cannot be read"):
        wait_for(probe)
    assert not probe.connection().up
    probe.close()
    bus.rmdir()
    probe = thermometer(bus)
    assert probe.connection().trouble == "no such sensor is on the bus"
    with pytest.raises(DeviceUnavailableError, match="cannot be read"):
        wait_for(probe)
    bus.mkdir()
    (bus / "temperature").write_text("25437\n")
    assert wait_for(probe).value == pytest.approx(25.437)
    assert probe.connection().up
    assert probe.connection().returns == 1
    probe.close()


@pytest.fixture
def tachometer(wires, pins, clock):
    return gpio_tachometer.open_tachometer(gpio_tachometer.Config(pin=5), replace(wires, pins=pins))


def test_pulses_in_a_window_are_turns_a_minute(tachometer, pins, clock):
    tachometer.request()
    for _ in range(20):  # two a turn: ten turns in a second
        clock.sleep(0.05)
        pins.pin("GPIO5").drive_low()
        pins.pin("GPIO5").drive_high()
    assert tachometer.poll().value == pytest.approx(600.0, rel=0.01)


def test_a_motor_that_stands_reads_nought(tachometer, clock):
    tachometer.request()
    clock.sleep(0.5)
    assert tachometer.poll() is None
    clock.sleep(0.6)
    assert tachometer.poll().value == 0.0
    tachometer.close()
