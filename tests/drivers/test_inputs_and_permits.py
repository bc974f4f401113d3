"""Switches are active when open; permits are held by toggling alone."""

import pytest

from saltern.ports import MisuseError
from saltern_drivers import gpio_run_permit, gpio_stirrer, gpio_switch


@pytest.fixture
def switch(wires, pins, clock):
    opened = gpio_switch.open_switch(gpio_switch.Config(pin=16), wires)
    pins.pin(16).drive_low()
    clock.sleep(0.2)
    assert not opened.is_active()
    return opened


def test_a_switch_never_seen_closed_is_active(wires):
    """A wire that was never connected must not look well."""
    assert gpio_switch.open_switch(gpio_switch.Config(pin=16), wires).is_active()


def test_an_open_circuit_is_active_within_a_quarter_second_of_the_edge(switch, pins, clock):
    told = []
    switch.watch(lambda: told.append(clock.monotonic()))
    edge_s = clock.monotonic()
    pins.pin(16).drive_high()

    clock.sleep(1.0)

    assert switch.is_active()
    assert len(told) == 1
    assert told[0] - edge_s <= 0.25


def test_the_first_edge_after_opening_is_heard(wires, pins, clock):
    pin = pins.pin(16)
    pin.pull = "up"
    pin.drive_low()
    opened = gpio_switch.open_switch(gpio_switch.Config(pin=16), wires)
    pin.drive_low()
    clock.sleep(0.2)
    opened.is_active()
    clock.sleep(0.2)
    opened.is_active()
    told = []
    opened.watch(lambda: told.append(True))
    pin.drive_high()
    clock.sleep(0.2)

    assert told == [True]


def test_a_splash_shorter_than_the_debounce_time_is_nothing(switch, pins, clock):
    told = []
    switch.watch(lambda: told.append(True))
    pins.pin(16).drive_high()
    clock.sleep(0.03)
    pins.pin(16).drive_low()
    clock.sleep(1.0)

    assert not told
    assert not switch.is_active()


def test_polls_alone_find_it_too(switch, pins, clock):
    pins.pin(16).when_changed = None
    pins.pin(16).drive_high()
    assert not switch.is_active()
    clock.sleep(0.1)

    assert switch.is_active()


def test_a_permit_toggles_at_each_kick_and_rests_low(wires, pins):
    permit = gpio_run_permit.open_permit(gpio_run_permit.Config(pin=19), wires)
    for _ in range(5):
        permit.kick()
    permit.drop()
    permit.drop()

    assert [state.state for state in pins.pin(19).states] == [0, 1, 0, 1, 0, 1, 0]
    permit.kick()
    permit.close()
    assert pins.pin(19).state == 0


def test_a_stirrer_refuses_more_than_full_speed(wires, pins):
    stirrer = gpio_stirrer.open_stirrer(gpio_stirrer.Config(pin=18), wires)
    stirrer.set_speed(0.6)
    with pytest.raises(MisuseError):
        stirrer.set_speed(1.2)

    assert pins.pin(18).state == pytest.approx(0.6)
    stirrer.close()
    assert pins.pin(18).state == 0
