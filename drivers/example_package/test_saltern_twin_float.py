"""How a driver of your own is tested, with what Saltern gives its authors: pytest, beside the module."""

import pytest
from saltern_twin_float import DRIVER

from saltern.ports import Switch
from saltern.testing import VirtualClock, mock_wires


@pytest.fixture
def clock():
    return VirtualClock()


@pytest.fixture
def wires(clock):
    with mock_wires(clock) as found:
        yield found


def test_it_acts_once_when_either_float_does(wires, clock):
    switch = DRIVER.open(DRIVER.config(pins=(16, 26)), wires)
    acted = []
    switch.watch(lambda: acted.append(clock.monotonic()))
    for pin in (16, 26):
        wires.pins.pin(f"GPIO{pin}").drive_low()
    clock.sleep(0.2)
    assert not switch.is_active()
    assert isinstance(switch, Switch)

    wires.pins.pin("GPIO26").drive_high()
    clock.sleep(0.2)
    assert switch.is_active()
    assert len(acted) == 1
    wires.pins.pin("GPIO26").drive_low()
    clock.sleep(0.2)
    assert not switch.is_active()
    switch.close()


def test_a_wire_that_is_off_acts(wires, clock):
    switch = DRIVER.open(DRIVER.config(pins=(16, 26)), wires)
    wires.pins.pin("GPIO16").drive_low()
    clock.sleep(0.2)

    assert switch.is_active()


def test_it_claims_both_of_its_pins():
    assert DRIVER.claims(DRIVER.config(pins=(16, 26))) == ["gpio:16", "gpio:26"]
