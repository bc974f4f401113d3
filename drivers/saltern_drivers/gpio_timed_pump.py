"""A DC pump head through a MOSFET, run for a time. One direction: a reversed waste pump would fill.

Wiring: active-high gate with a pull-down of its own, so that the pump is off while the line floats. Example::

    [pumps.waste.drive]
    driver = "gpio-timed-pump"
    pin = 12
    soft_start_s = 0.2

Limits: it counts seconds and knows no flow; good for waste, too coarse for titrant.
"""

import threading
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from saltern.ports import Clock, Direction, Driver, MisuseError, Progress, Timer, Wires
from saltern_drivers.gpio_pins import PwmOutput


class Config(BaseModel):
    """A timed pump."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    pin: int = Field(ge=0, le=27)
    duty: float = Field(default=1.0, gt=0.05, le=1.0, description="share of full power while running")
    frequency_hz: int = Field(default=200, ge=10, le=2000)
    soft_start_s: float = Field(
        default=0.0, ge=0, le=1, description="at half power first, so that the supply does not sag; counts as running"
    )
    longest_s: float = Field(default=120.0, gt=0, le=600)


class TimedPump:
    """Turns for a stated time; the end is armed before the start."""

    unit: Literal["s"] = "s"
    rate = 1.0
    reversible = False

    def __init__(self, output: PwmOutput, clock: Clock, config: Config) -> None:
        self._output = output
        self._clock = clock
        self._duty = config.duty
        self._soft_start_s = config.soft_start_s
        self._lock = threading.Lock()
        self._began_s = 0.0
        self._ran_s = 0.0
        self._running = False
        self._end: Timer | None = None
        self._up: Timer | None = None
        self.longest = config.longest_s

    def start(self, amount: float, direction: Direction = Direction.FORWARD) -> None:
        if direction is not Direction.FORWARD:
            raise MisuseError("turns one way only", where=self._where, remedy="Use a reversible drive")
        if not 0.0 < amount <= self.longest:
            raise MisuseError(
                f"{amount} s is not between 0 and {self.longest} s", where=self._where, remedy="Move in smaller parts"
            )
        with self._lock:
            if self._running:
                raise MisuseError("is running already", where=self._where, remedy="Wait for the motion to end")
            self._end = self._clock.call_later(amount, self.halt)
            self._began_s = self._clock.monotonic()
            self._running = True
            if self._soft_start_s > 0.0:
                self._output.set(0.5 * self._duty)
                self._up = self._clock.call_later(self._soft_start_s, self._full_power)
            else:
                self._output.set(self._duty)

    def _full_power(self) -> None:
        with self._lock:
            if self._running:
                self._output.set(self._duty)

    def progress(self) -> Progress:
        if self._running:
            ran_s = self._clock.monotonic() - self._began_s
            return Progress(True, ran_s, ran_s)
        return Progress(False, self._ran_s, self._ran_s)

    def halt(self) -> None:
        with self._lock:
            self._output.set(0.0)
            if self._running:
                self._ran_s = self._clock.monotonic() - self._began_s
                self._running = False
            for timer in (self._end, self._up):
                if timer is not None:
                    timer.cancel()

    def close(self) -> None:
        self.halt()
        self._output.close()

    @property
    def _where(self) -> str:
        return f"timed pump on GPIO {self._output.pin}"


def open_pump(config: Config, wires: Wires) -> TimedPump:
    return TimedPump(PwmOutput(config.pin, config.frequency_hz, wires), wires.clock, config)


DRIVER = Driver(
    kind="pump",
    config=Config,
    claims=lambda config: [f"gpio:{config.pin}"],
    open=open_pump,
    outputs=lambda config: [config.pin],
    rate=lambda config: TimedPump.rate,
)
