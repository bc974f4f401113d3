"""A float, leak, waste-level or stop input, wired normally closed between the pin and ground.

Closed pulls the pin low: all is well. Open, by the switch or by a broken wire, lets the pull-up raise it: active.
Debounced in our own time, from edges and from polls alike. Example::

    [switches.overfill]
    driver = "gpio-switch"
    pin = 16

Limits: long cables pick up motors; twist them with their ground, and keep them from the pumps' own.
"""

import threading
from collections.abc import Callable

from gpiozero import DigitalInputDevice
from pydantic import BaseModel, ConfigDict, Field

from saltern.ports import Clock, Driver, Wires


class Config(BaseModel):
    """A normally closed switch."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    pin: int = Field(ge=0, le=27)
    debounce_s: float = Field(default=0.05, ge=0.0, le=0.15)


class NormallyClosedSwitch:
    """Active once the circuit has been open for the debounce time; until first seen closed, active."""

    def __init__(self, line: DigitalInputDevice, clock: Clock, debounce_s: float) -> None:
        self._line = line
        self._pin = line.pin
        self._clock = clock
        self._debounce_s = debounce_s
        self._lock = threading.Lock()
        self._active = bool(self._pin.state)
        self._changed_s: float | None = None
        self._on_active: list[Callable[[], None]] = []
        # Not the device's when_activated: it swallows the first edge after opening, having seen no state before.
        self._pin.when_changed = self._edge

    def is_active(self) -> bool:
        if bool(self._pin.state) is self._active and self._changed_s is None:
            return self._active
        return self._consider()

    def watch(self, on_active: Callable[[], None]) -> None:
        self._on_active.append(on_active)

    def close(self) -> None:
        self._line.close()

    def _edge(self, ticks: float, state: int) -> None:
        del ticks, state
        self._consider()
        self._clock.call_later(self._debounce_s, self._settle)

    def _settle(self) -> None:
        if not self._line.closed:
            self._consider()

    def _consider(self) -> bool:
        """Follow the line; the state changes once the line has differed for the debounce time."""
        went_active = False
        with self._lock:
            raw, now_s = bool(self._pin.state), self._clock.monotonic()
            if raw is self._active:
                self._changed_s = None
            elif self._changed_s is None:
                self._changed_s = now_s
            elif now_s - self._changed_s >= self._debounce_s - 1e-6:
                self._active, self._changed_s = raw, None
                went_active = raw
            state = self._active
        if went_active:
            for on_active in self._on_active:
                on_active()
        return state


def open_switch(config: Config, wires: Wires) -> NormallyClosedSwitch:
    line = DigitalInputDevice(config.pin, pull_up=True, pin_factory=wires.pins)
    return NormallyClosedSwitch(line, wires.clock, config.debounce_s)


DRIVER = Driver(kind="switch", config=Config, claims=lambda config: [f"gpio:{config.pin}"], open=open_switch)
