"""A stepper pump head: steps counted in pulse trains that are queued in short chunks.

The library times the pulses, not Python, so the count is exact however busy the host is. At most one chunk waits
behind the one under way: a host that hangs or dies leaves at most 0.2 s of pulses. Wiring: step, direction and
enable of a stepper driver, all active-high through its inputs or an inverter, each with a pull-down. Example::

    [pumps.titrant.drive]
    driver = "gpio-stepper-pump"
    step_pin = 23
    direction_pin = 24
    enable_pin = 25
    steps_per_s = 2667

Limits: a motor that loses steps is not seen; a balance, or the pump's calibration, tells.
"""

import threading
from contextlib import ExitStack
from typing import Literal

from gpiozero import DigitalOutputDevice
from pydantic import BaseModel, ConfigDict, Field, model_validator

from saltern.ports import Direction, Driver, MisuseError, Progress, PulseTrains, Wires

CHUNK_S = 0.1
WAITING_CHUNKS = 1
PULSE_US = 20  # high time of a step; stepper drivers ask for 1 to 5


class Config(BaseModel):
    """A counted pump."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    step_pin: int = Field(ge=0, le=27)
    direction_pin: int = Field(ge=0, le=27)
    enable_pin: int = Field(ge=0, le=27)
    steps_per_s: int = Field(ge=20, le=10_000)
    start_steps_per_s: int = Field(default=400, ge=20, le=10_000, description="rate of the first chunk")
    acceleration_steps_per_s2: int = Field(default=10_000, ge=100, le=1_000_000)
    longest_steps: int = Field(default=2_000_000, ge=1, le=10_000_000)

    @model_validator(mode="after")
    def _own_pins(self) -> "Config":
        if len({self.step_pin, self.direction_pin, self.enable_pin}) < 3:
            msg = "step_pin, direction_pin and enable_pin must be three pins"
            raise ValueError(msg)
        return self


class StepperPump:
    """Turns a stated number of steps and stops by itself."""

    unit: Literal["steps"] = "steps"
    reversible = True

    def __init__(
        self,
        lines: tuple[DigitalOutputDevice, DigitalOutputDevice, DigitalOutputDevice],
        pulses: PulseTrains,
        config: Config,
    ) -> None:
        self._step, self._direction, self._enable = lines
        self._pulses = pulses
        self._config = config
        self._lock = threading.Lock()
        self._empty_room = pulses.room(config.step_pin)
        self._chunks: list[int] = []  # pulses of each chunk queued in this motion
        self._left = 0
        self._running = False
        self._at_least = self._at_most = 0.0
        self.rate = float(config.steps_per_s)
        self.longest = float(config.longest_steps)

    def start(self, amount: float, direction: Direction = Direction.FORWARD) -> None:
        steps = round(amount)
        if not 0 < steps <= self._config.longest_steps:
            raise MisuseError(
                f"{amount} steps is not between 1 and {self._config.longest_steps}",
                where=self._where,
                remedy="Move in smaller parts",
            )
        with self._lock:
            if self._running:
                raise MisuseError("is running already", where=self._where, remedy="Wait for the end of the motion")
            self._chunks, self._left = [], steps
            self._direction.value = direction is Direction.REVERSE
            self._enable.on()
            self._running = True
            self._top_up()

    def progress(self) -> Progress:
        with self._lock:
            if self._running:
                self._top_up()
                if self._left == 0 and not self._pulses.busy(self._config.step_pin):
                    self._at_least = self._at_most = float(sum(self._chunks))
                    self._running = False
                    self._enable.off()
                else:
                    self._at_least, self._at_most = self._sent()
            return Progress(self._running, self._at_least, self._at_most)

    def halt(self) -> None:
        with self._lock, ExitStack() as whatever_fails:  # nothing is queued any more, and both are tried
            whatever_fails.callback(self._enable.off)
            whatever_fails.callback(self._pulses.cancel, self._config.step_pin)
            was_running, self._running, self._left = self._running, False, 0
            if was_running:
                self._at_most = float(sum(self._chunks))
                self._at_least, self._at_most = self._sent()

    def close(self) -> None:
        self.halt()
        for line in (self._step, self._direction, self._enable):
            line.close()

    def _top_up(self) -> None:
        line = self._config.step_pin
        while self._left > 0 and self._waiting() < WAITING_CHUNKS + 1:
            rate = min(
                self._config.steps_per_s,
                self._config.start_steps_per_s + self._config.acceleration_steps_per_s2 * CHUNK_S * len(self._chunks),
            )
            pulses = min(self._left, max(1, int(rate * CHUNK_S)))
            period_us = round(1e6 / rate)
            self._pulses.queue(line, pulses, PULSE_US, period_us - PULSE_US)
            self._chunks.append(pulses)
            self._left -= pulses

    def _waiting(self) -> int:
        """Return how many chunks are under way or waiting."""
        if not self._pulses.busy(self._config.step_pin):
            return 0
        return min(len(self._chunks), 1 + max(0, self._empty_room - self._pulses.room(self._config.step_pin)))

    def _sent(self) -> tuple[float, float]:
        """Return the least and the most pulses sent: the chunk under way, and the one that may have begun since."""
        if not self._pulses.busy(self._config.step_pin):
            total = float(sum(self._chunks))
            return total, total
        waiting = max(0, self._empty_room - self._pulses.room(self._config.step_pin))
        begun = max(1, len(self._chunks) - waiting)
        return float(sum(self._chunks[: begun - 1])), float(sum(self._chunks[: begun + 1]))

    @property
    def _where(self) -> str:
        return f"stepper pump on {self._step.pin}"


def open_pump(config: Config, wires: Wires) -> StepperPump:
    step = DigitalOutputDevice(config.step_pin, pin_factory=wires.pins)
    direction = DigitalOutputDevice(config.direction_pin, pin_factory=wires.pins)
    enable = DigitalOutputDevice(config.enable_pin, pin_factory=wires.pins)
    return StepperPump((step, direction, enable), wires.pulses, config)


DRIVER = Driver(
    kind="pump",
    config=Config,
    claims=lambda config: [f"gpio:{pin}" for pin in (config.step_pin, config.direction_pin, config.enable_pin)],
    open=open_pump,
    outputs=lambda config: [config.step_pin, config.direction_pin, config.enable_pin],
)
