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

from pydantic import BaseModel, ConfigDict, Field

from saltern.ports import Clock, Driver, DriverError, Wires
from saltern_drivers.gpio_pins import Input


class Config(BaseModel):
    """A normally closed switch."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    pin: int = Field(ge=0, le=27)
    debounce_s: float = Field(default=0.05, ge=0.0, le=0.15)


class NormallyClosedSwitch:
    """Active once the circuit has been open for the debounce time; until first seen closed, active."""

    def __init__(self, line: Input, clock: Clock, debounce_s: float) -> None:
        self._line = line
        self._clock = clock
        self._debounce_s = debounce_s
        self._lock = threading.Lock()
        self._active = line.level()
        self._changed_s: float | None = None
        self._on_active: list[Callable[[], None]] = []
        line.watch(self._edge)

    def is_active(self) -> bool:
        if self._line.level() is self._active and self._changed_s is None:
            return self._active
        return self._consider()

    def watch(self, on_active: Callable[[], None]) -> None:
        self._on_active.append(on_active)

    def close(self) -> None:
        self._line.close()

    def _edge(self, ticks: float, state: int) -> None:
        del ticks, state
        self._consider_in_a_foreign_thread()
        self._clock.call_later(self._debounce_s, self._consider_in_a_foreign_thread)

    def _consider_in_a_foreign_thread(self) -> None:
        """Follow the line; one that cannot be read is active. Nothing is raised: it would end the library's thread."""
        if self._line.closed:
            return
        try:
            self._consider()
        except DriverError:  # raised again, where it is heard, by the next scan's `is_active`
            self._act()

    def _consider(self) -> bool:
        """Follow the line; the state changes once the line has differed for the debounce time."""
        went_active = False
        with self._lock:
            raw, now_s = self._line.level(), self._clock.monotonic()
            if raw is self._active:
                self._changed_s = None
            elif self._changed_s is None:
                self._changed_s = now_s
            elif now_s - self._changed_s >= self._debounce_s - 1e-6:
                self._active, self._changed_s = raw, None
                went_active = raw
            state = self._active
        if went_active:
            self._act()
        return state

    def _act(self) -> None:
        for on_active in self._on_active:
            on_active()


def open_switch(config: Config, wires: Wires) -> NormallyClosedSwitch:
    return NormallyClosedSwitch(Input(config.pin, wires), wires.clock, config.debounce_s)


DRIVER = Driver(kind="switch", config=Config, claims=lambda config: [f"gpio:{config.pin}"], open=open_switch)
