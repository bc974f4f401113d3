"""Wires for drivers: mock pins, a virtual clock, pulse trains in its time, and a serial port that follows a script."""

from dataclasses import dataclass, field

import pytest
from gpiozero.pins.mock import MockFactory, MockPWMPin

from saltern.clock import VirtualClock
from saltern.ports import Wires
from tests.serial_port import VirtualPort


@dataclass
class FakePulses:
    """Pulse trains in virtual time, with lgpio's queue."""

    clock: VirtualClock
    trains: list = field(default_factory=list)  # (begins_s, ends_s, pulses)
    sent_before_cancel: int = 0

    def queue(self, line, pulses, on_us, off_us):
        assert pulses >= 1
        begins = max(self.clock.monotonic(), self.trains[-1][1] if self.trains else 0.0)
        self.trains.append((begins, begins + pulses * (on_us + off_us) * 1e-6, pulses))

    def room(self, line):
        return 10 - sum(begins > self.clock.monotonic() for begins, _, _ in self.trains)

    def busy(self, line):
        return bool(self.trains) and self.trains[-1][1] > self.clock.monotonic() + 1e-9

    def cancel(self, line):
        self.sent_before_cancel += self.sent()
        self.trains.clear()

    def sent(self):
        """Return how many pulses have gone out since the last cancel."""
        now = self.clock.monotonic()
        return sum(
            pulses if ends <= now + 1e-9 else max(0, round(pulses * (now - begins) / (ends - begins)))
            for begins, ends, pulses in self.trains
        )


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
        expected, answers = self.conversation.pop(0)
        assert data == expected
        self.say(*answers)
        return len(data)


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
