"""The stirrer's tachometer: pulses of a fan motor's third wire, or of a Hall sensor beside the magnet, on a GPIO input.

Pulses are counted over a window from the request on; a motor that stands sends none, and that is a reading: 0 rpm. Open
collector, pulled up to 3.3 V, never to the motor's 12 V. Example::

    [stirrer.sensor]
    lowest = 200.0
    highest = 900.0
    [stirrer.sensor.board]
    driver = "gpio-tachometer"
    pin = 5

Limits: it sees the motor turn, not the bar; a bar thrown off still shows by how the electrode settles.
"""

from pydantic import BaseModel, ConfigDict, Field

from saltern.ports import Clock, Driver, Reading, Wires
from saltern_drivers.gpio_pins import Input

OVERDUE_WINDOWS = 2.0
"""A window that nobody fetched for so long began for another question."""


class Config(BaseModel):
    """A tachometer."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    pin: int = Field(ge=0, le=27)
    pulses_per_turn: int = Field(default=2, ge=1, le=60)
    window_s: float = Field(default=1.0, ge=0.1, le=5)


class Tachometer:
    """Counts edges of one pin."""

    unit = "rpm"

    def __init__(self, line: Input, clock: Clock, config: Config) -> None:
        self._line = line
        self._clock = clock
        self._config = config
        self._count = 0
        self._began: tuple[float, int] | None = None
        line.watch(self._edge, edges="falling")

    def _edge(self, ticks: float, state: int) -> None:
        """Count; called from the library's thread, one at a time."""
        del ticks, state
        self._count += 1

    def request(self) -> None:
        now_s = self._clock.monotonic()
        if self._began is None or now_s - self._began[0] > OVERDUE_WINDOWS * self._config.window_s:
            self._began = (now_s, self._count)

    def poll(self) -> Reading | None:
        if self._began is None:
            return None
        began_s, before = self._began
        seconds = self._clock.monotonic() - began_s
        if seconds < self._config.window_s:
            return None
        self._began = None
        turns = (self._count - before) / self._config.pulses_per_turn
        return Reading(60.0 * turns / seconds, "rpm", self._clock.monotonic())

    def close(self) -> None:
        self._line.close()


def open_tachometer(config: Config, wires: Wires) -> Tachometer:
    return Tachometer(Input(config.pin, wires), wires.clock, config)


DRIVER = Driver(kind="probe", config=Config, claims=lambda config: [f"gpio:{config.pin}"], open=open_tachometer)
