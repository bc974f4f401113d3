"""The run-permit of one pump: a line whose edges retrigger a one-shot that holds the pump's supply.

A level, high or low, holds nothing: only toggling does, so a hung, killed or blocked process loses its pumps after
`lapse_s`. The one-shot is a retriggerable monostable with a pull-down at its input. Example::

    [pumps.waste.permit]
    driver = "gpio-run-permit"
    pin = 11

A normally closed valve in a pump's line hangs on a one-shot of its own, in the same way: `[pumps.sample.valve]` with
this driver and another pin. The bench kicks both together, and drops the valve first.

Limits: whether the hardware cuts is proved at every determination, and by hand before the first.
"""

import threading

from pydantic import BaseModel, ConfigDict, Field

from saltern.ports import Driver, Wires
from saltern_drivers.gpio_pins import Output


class Config(BaseModel):
    """A run-permit."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    pin: int = Field(ge=0, le=27)
    lapse_s: float = Field(default=0.5, ge=0.25, le=2.0, description="time of the one-shot")


class EdgePermit:
    """Toggles its line at each kick; rests low."""

    def __init__(self, output: Output, lapse_s: float) -> None:
        self._output = output
        self._lock = threading.Lock()
        self._level = False
        self.lapse_s = lapse_s

    def kick(self) -> None:
        with self._lock:
            self._level = not self._level
            self._output.set(self._level)

    def drop(self) -> None:
        with self._lock:
            if self._level:  # a falling edge does not retrigger: the one-shot listens to rising ones
                self._level = False
                self._output.set(False)

    def close(self) -> None:
        try:
            self.drop()
        finally:
            self._output.close()


def open_permit(config: Config, wires: Wires) -> EdgePermit:
    return EdgePermit(Output(config.pin, wires), config.lapse_s)


DRIVER = Driver(
    kind="permit",
    config=Config,
    claims=lambda config: [f"gpio:{config.pin}"],
    open=open_permit,
    outputs=lambda config: [config.pin],
    lapse_s=lambda config: config.lapse_s,
)
