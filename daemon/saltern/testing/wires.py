"""Wires for one driver: mock pins, pulse trains in virtual time, and the ports that the test has prepared."""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any

from gpiozero.pins.mock import MockFactory, MockPWMPin

from saltern.clock import VirtualClock
from saltern.ports import I2cBus, Probe, Reading, SerialPort, Wires, no_i2c
from saltern.testing.pulse_trains import VirtualPulseTrains

LOOK_EVERY_S = 0.05


@contextmanager
def mock_wires(
    clock: VirtualClock,
    ports: Mapping[str, SerialPort] | None = None,
    buses: Mapping[int, I2cBus] | None = None,
) -> Iterator[Wires]:
    """Yield wires on which nothing is real, and take the pins back afterwards.

    Parameters
    ----------
    clock
        Whose time it is; `wires.pulses` runs on it.
    ports, buses
        Serial ports by the name that a driver opens, and I2C buses by number. A port that is not here is absent, as an
        unplugged converter is; a bus that is not here does not exist.
    """
    here, known = dict(ports or {}), dict(buses or {})

    def open_serial(name: str, **settings: Any) -> SerialPort:
        del settings
        if name not in here:
            raise OSError(2, f"could not open port {name}")
        return here[name]

    def open_i2c(number: int) -> I2cBus:
        return known[number] if number in known else no_i2c(number)

    factory = MockFactory(pin_class=MockPWMPin)
    try:
        yield Wires(clock, factory, VirtualPulseTrains(clock), open_serial, open_i2c=open_i2c)
    finally:
        factory.close()


def wait_for(probe: Probe, clock: VirtualClock, most_s: float = 5.0) -> Reading | None:
    """Poll, without asking again, until a reading comes; return None when the time is over."""
    until_s = clock.monotonic() + most_s
    while clock.monotonic() < until_s:
        reading = probe.poll()
        if reading is not None:
            return reading
        clock.sleep(LOOK_EVERY_S)
    return None
