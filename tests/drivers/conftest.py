"""Wires for drivers, of `saltern.testing`; and what only our own drivers need beside them."""

import pytest

from saltern.ports import Wires
from saltern.testing import VirtualClock, mock_wires
from saltern_drivers.serial_port import open_port


def over(port, clock):
    """Return a port that comes back, over this one."""
    wires = Wires(clock=clock, pins=None, pulses=None, open_serial=lambda *_, **__: port)
    return open_port(wires, "/dev/serial/by-id/board")


@pytest.fixture
def clock():
    return VirtualClock()


@pytest.fixture
def pins(wires):
    return wires.pins


@pytest.fixture
def wires(clock):
    with mock_wires(clock) as found:
        yield found
