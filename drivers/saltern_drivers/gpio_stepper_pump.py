"""A stepper pump head: steps counted in pulse trains that are queued in short pieces.

The library times the pulses, not Python, so the count is exact however busy the host is. At most 0.2 s of pulses are
queued: a host that hangs or dies leaves no more. The rate rises gently after every standstill and falls gently before
every end. Wiring: step, direction and enable of a stepper driver, all active-high through its inputs or an inverter,
each with a pull-down. Example::

    [pumps.titrant.drive]
    driver = "gpio-stepper-pump"
    step_pin = 23
    direction_pin = 24
    enable_pin = 25
    steps_per_s = 2667
    microsteps = 8

A pulse that comes late is followed by others too close behind it. A rotor catches up with one full step, not with more,
so a motion in which pulses came later than `microsteps` steps last does not vouch for the steps since it was last well:
the motor is brought to rest, and started gently again. The same holds where the host looked too late and the queue ran
dry at speed. Limits: a motor that loses steps for a reason of its own is not seen; a balance, or the pump's
calibration, shows it. Where the kernel does not count waiting (no schedstat) and permits no real-time priority, late
pulses could not be seen: the pump is not opened there.
"""

import threading
from collections.abc import Iterator
from contextlib import ExitStack
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from saltern.ports import Direction, Driver, MisuseError, Progress, PulseTrains, Wires
from saltern_drivers.gpio_pins import Output
from saltern_drivers.stepper_ramp import Piece, pieces

AHEAD_S = 0.2
NEARLY_DRY_S = 0.01
"""So near its end the queue may be dry before more is in it: the motor is let come to rest first."""

MOST_RESTARTS, RESTART_S = 8, 0.7
"""A motion that came into doubt oftener ends there, and says so. A restart takes so long at most; all of them together
must not take a motion past a fifth of its own time and 2 s, where the bench takes it for a pump that does not end."""

PULSE_US = 20  # high time of a step; stepper drivers ask for 1 to 5


class Config(BaseModel):
    """A counted pump."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    step_pin: int = Field(ge=0, le=27)
    direction_pin: int = Field(ge=0, le=27)
    enable_pin: int = Field(ge=0, le=27)
    steps_per_s: int = Field(ge=20, le=10_000)
    microsteps: int = Field(default=8, ge=1, le=256, description="steps of the driver in a full step of the motor")
    start_steps_per_s: int = Field(default=400, ge=20, le=10_000, description="rate that it follows from rest")
    acceleration_steps_per_s2: int = Field(default=10_000, ge=100, le=1_000_000)
    settle_s: float = Field(default=0.02, ge=0, le=0.2, description="with current, before the first step")
    hold_s: float = Field(default=0.05, ge=0, le=0.2, description="with current, after the last step")
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

    def __init__(self, step: Output, direction: Output, enable: Output, pulses: PulseTrains, config: Config) -> None:
        self._step = step
        self._direction = direction
        self._enable = enable
        self._pulses = pulses
        self._config = config
        self._line = config.step_pin
        self._lock = threading.Lock()
        self._state: Literal["rest", "waiting", "turning"] = "rest"
        self._asked = self._queued = self._restarts_left = 0
        self._sent_before = 0  # on this line, before the motion
        self._plan: Iterator[Piece] = iter(())
        self._next: Piece | None = None
        self._hold_queued = False
        self._well_at = 0  # steps of the motion that were sent when all was last seen to be well
        self._lateness_s: float | None = None
        self._to_rest = False  # nothing is queued before the motor stands
        self._doubted = 0
        self._doubt = ""
        self._at_least = self._at_most = 0
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
            if self._state != "rest":
                raise MisuseError("is running already", where=self._where, remedy="Wait for the motion to end")
            self._direction.set(direction is Direction.REVERSE)
            self._asked, self._queued, self._doubted, self._doubt = steps, 0, 0, ""
            self._restarts_left = min(MOST_RESTARTS, int((0.2 * steps / self.rate + 1.5) / RESTART_S))
            self._at_least = self._at_most = 0
            self._state = "waiting"
            self._go_on()

    def progress(self) -> Progress:
        with self._lock:
            if self._state != "rest":
                self._go_on()
            return Progress(self._state != "rest", float(self._at_least), float(self._at_most), self._doubt)

    def halt(self) -> None:
        """Take the motor's current. What is queued runs out without it, and nothing is queued any more."""
        with self._lock:
            was, self._state = self._state, "rest"
            try:
                if was == "turning":
                    self._at_most = self._queued
                    self._at_least = self._vouched(self._sent()[0])
            finally:
                self._let_go()
            if was == "turning":
                self._at_most = self._sent()[1]

    def _let_go(self) -> None:
        """Take the motor's current, and then the direction's level: at rest no line of a pump is driven."""
        self._enable.set(False)
        self._direction.set(False)

    def close(self) -> None:
        with ExitStack() as each:
            for line in (self._step, self._direction, self._enable):
                each.callback(line.close)
            each.callback(self.halt)

    # One motion ---------------------------------------------------------------------

    def _go_on(self) -> None:
        """Begin once the line is free, keep the queue filled, and end when all is sent."""
        busy = self._pulses.busy(self._line)
        if self._state == "waiting":
            if busy:  # what was queued before a halt runs out first, the motor without current
                return
            self._sent_before = self._pulses.sent(self._line)[1]
            self._state = "turning"
            self._from_rest()
            return
        least, most = self._sent()
        left = self._queued < self._asked
        self._look_for_trouble(dry=left and self._pulses.ends_in_s(self._line) < NEARLY_DRY_S, sent=least)
        if busy:
            if not self._to_rest:
                self._fill()
        else:
            if self._to_rest:
                self._doubted += self._queued - self._well_at
                self._to_rest = False
            if left and self._restarts_left > 0:
                self._restarts_left -= 1
                self._from_rest()
            elif left:  # a computer as busy as this one is no place for the rest of it
                self._state = "rest"
                self._let_go()
                least = most = self._queued
            else:
                self._state = "rest"
                self._let_go()
                least = most = self._asked
        self._at_least, self._at_most = self._vouched(least), most

    def _from_rest(self) -> None:
        """Give the motor current, let it settle, and begin gently with what is left."""
        config = self._config
        self._enable.set(True)
        self._pulses.pause(self._line, round(1e6 * config.settle_s))
        self._well_at, self._to_rest, self._hold_queued = self._queued, False, False
        self._lateness_s = self._pulses.lateness_s()
        left = self._asked - self._queued
        self._plan = pieces(left, config.start_steps_per_s, config.steps_per_s, config.acceleration_steps_per_s2)
        self._next = next(self._plan, None)
        self._fill()

    def _fill(self) -> None:
        """Queue pieces until enough is ahead, and behind the last one the time that the motor is held."""
        while self._pulses.room(self._line) > 0:
            piece = self._next
            if piece is None:
                if not self._hold_queued:
                    self._pulses.pause(self._line, round(1e6 * self._config.hold_s))
                    self._hold_queued = True
                return
            if self._pulses.ends_in_s(self._line) + piece.lasts_s > AHEAD_S:
                return
            self._pulses.queue(self._line, piece.steps, PULSE_US, round(1e6 / piece.rate) - PULSE_US)
            self._queued += piece.steps
            self._next = next(self._plan, None)

    # What it vouches for ------------------------------------------------------------

    def _look_for_trouble(self, *, dry: bool, sent: int) -> None:
        """Doubt what was sent since the last look, if the motor may not have followed it; else it was well so far."""
        before, self._lateness_s = self._lateness_s, self._pulses.lateness_s()
        if self._to_rest:
            return
        late_s = 0.0 if before is None or self._lateness_s is None else self._lateness_s - before
        if late_s > self._config.microsteps / self._config.steps_per_s:
            self._to_rest = True
            self._doubt = f"pulses came up to {1000.0 * late_s:.0f} ms late: this computer was busy"
        elif dry:
            self._to_rest = True
            self._doubt = "the computer looked too late, and the motor stopped from full speed"
        else:
            self._well_at = sent

    def _vouched(self, sent: int) -> int:
        """Return how many of the steps sent the motor has surely followed."""
        return max(0, (min(sent, self._well_at) if self._to_rest else sent) - self._doubted)

    def _sent(self) -> tuple[int, int]:
        least, most = self._pulses.sent(self._line)
        return least - self._sent_before, most - self._sent_before

    @property
    def _where(self) -> str:
        return f"stepper pump on GPIO {self._line}"


def open_pump(config: Config, wires: Wires) -> StepperPump:
    step = Output(config.step_pin, wires)
    direction = Output(config.direction_pin, wires)
    enable = Output(config.enable_pin, wires)
    wires.pulses.prepare(config.step_pin)
    return StepperPump(step, direction, enable, wires.pulses, config)


DRIVER = Driver(
    kind="pump",
    config=Config,
    claims=lambda config: [f"gpio:{pin}" for pin in (config.step_pin, config.direction_pin, config.enable_pin)],
    open=open_pump,
    outputs=lambda config: [config.step_pin, config.direction_pin, config.enable_pin],
    rate=lambda config: float(config.steps_per_s),
)
