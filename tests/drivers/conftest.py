"""Wires for drivers: mock pins, a virtual clock, pulse trains in its time, and a serial port that follows a script."""

from dataclasses import dataclass, field

import pytest
from gpiozero.pins.mock import MockFactory, MockPWMPin

from saltern.clock import VirtualClock
from saltern.ports import Wires
from saltern_drivers.serial_port import open_port
from tests.serial_port import VirtualPort


@dataclass
class FakePulses:
    """Pulse trains in virtual time, with the depth and the grain of the library's queue; none is taken back."""

    clock: VirtualClock
    trains: list = field(default_factory=list)  # (begins_s, ends_s, pulses)
    waited_s: float = 0.0
    _first: int = 0  # of the trains that have not ended
    _ended: int = 0

    def prepare(self, line):
        pass

    def queue(self, line, pulses, on_us, off_us):
        assert pulses >= 1
        self._append(pulses, pulses * (on_us + off_us) * 1e-6)

    def pause(self, line, duration_us):
        self._append(0, duration_us * 1e-6)

    def _append(self, pulses, lasts_s):
        assert self.room(0) >= 1
        begins = max(self.clock.monotonic(), self.trains[-1][1] if self.trains else 0.0)
        self.trains.append((begins, begins + lasts_s, pulses))

    def _unended(self):
        while self._first < len(self.trains) and self.trains[self._first][1] <= self.clock.monotonic() + 1e-9:
            self._ended += self.trains[self._first][2]
            self._first += 1
        return self.trains[self._first :]

    def room(self, line):
        return 8 - len(self._unended())

    def ends_in_s(self, line):
        return max(0.0, self.trains[-1][1] - self.clock.monotonic()) if self.trains else 0.0

    def busy(self, line):
        return bool(self._unended())

    def sent(self, line):
        under_way = self._unended()
        return self._ended, self._ended + (under_way[0][2] if under_way else 0)

    def lateness_s(self):
        return self.waited_s

    def gone_out(self):
        """Return how many pulses have gone out, to the nearest: what a counter on the line would show."""
        under_way = self._unended()
        if not under_way:
            return self._ended
        begins, ends, pulses = under_way[0]
        return self._ended + max(0, round(pulses * (self.clock.monotonic() - begins) / (ends - begins)))


class ScriptedPort(VirtualPort):
    """A serial port that plays a conversation: each expected write is answered by bytes, each after its delay."""

    def __init__(self, clock, conversation):
        super().__init__(clock)
        self.conversation, self.broken = list(conversation), False

    @property
    def in_waiting(self):
        if self.broken:
            raise OSError(5, "gone")
        return super().in_waiting

    def write(self, data):
        expected, answers = self.conversation.pop(0) if self.conversation else (None, ())
        if data != expected:
            pytest.fail(f"{data!r} was written instead of {expected!r}")
        self.say(*answers)
        return len(data)


def over(port, clock):
    """Return a port that comes back, over this one."""
    wires = Wires(clock=clock, pins=None, pulses=None, open_serial=lambda *_, **__: port)
    return open_port(wires, "/dev/serial/by-id/board")


@pytest.fixture
def clock():
    return VirtualClock()


@pytest.fixture
def pins():
    factory = MockFactory(pin_class=MockPWMPin)
    yield factory
    factory.close()


@pytest.fixture
def wires(clock, pins):
    return Wires(clock=clock, pins=pins, pulses=FakePulses(clock), open_serial=lambda port, **settings: None)
