"""Two floats at one height as one switch: it is active as soon as either is, so that one that sticks does no harm.

This is the example of a driver in a package of its own; the author's guide in DEVELOPERS.md walks through it.

Wiring: each float normally closed, between its own pin and ground. Example::

    [switches.overfill]
    driver = "twin-float"
    pins = [16, 26]

Limits: it cannot see that one of the two has failed closed; the proof test, one float at a time, can.
"""

from collections.abc import Callable

from gpiozero import DigitalInputDevice
from pydantic import BaseModel, ConfigDict, Field

from saltern.ports import Clock, Driver, Wires


class Config(BaseModel):
    """Two floats."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    pins: tuple[int, int] = Field(description="one for each float")
    debounce_s: float = Field(default=0.05, ge=0.0, le=0.15)


class TwinFloat:
    """Active once either circuit has been open for the debounce time."""

    def __init__(self, lines: tuple[DigitalInputDevice, ...], clock: Clock, debounce_s: float) -> None:
        self._lines = lines
        self._clock = clock
        self._debounce_s = debounce_s
        self._open_since_s: float | None = None
        self._told = False
        self._on_active: list[Callable[[], None]] = []
        for line in lines:
            line.pin.when_changed = self._edge

    def is_active(self) -> bool:
        if not any(bool(line.pin.state) for line in self._lines):
            self._open_since_s, self._told = None, False
            return False
        now_s = self._clock.monotonic()
        if self._open_since_s is None:
            self._open_since_s = now_s
        return now_s - self._open_since_s >= self._debounce_s - 1e-6

    def watch(self, on_active: Callable[[], None]) -> None:
        self._on_active.append(on_active)

    def close(self) -> None:
        for line in self._lines:
            line.pin.when_changed = None
            line.close()

    def _edge(self, ticks: float, state: int) -> None:
        """Called from a foreign thread: look now, and again when the debounce time is over."""
        del ticks, state
        self.is_active()
        self._clock.call_later(self._debounce_s, self._settle)

    def _settle(self) -> None:
        if not any(line.closed for line in self._lines) and self.is_active() and not self._told:
            self._told = True
            for on_active in self._on_active:
                on_active()


def open_floats(config: Config, wires: Wires) -> TwinFloat:
    """Open both lines with their pull-ups."""
    lines = tuple(DigitalInputDevice(pin, pull_up=True, pin_factory=wires.pins) for pin in config.pins)
    return TwinFloat(lines, wires.clock, config.debounce_s)


DRIVER = Driver(
    kind="switch", config=Config, claims=lambda config: [f"gpio:{pin}" for pin in config.pins], open=open_floats
)
