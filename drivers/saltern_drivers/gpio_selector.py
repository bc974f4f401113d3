"""A pinch valve on a line, that chooses between two: what it lets through without current is the usual one.

Without current the sample line draws from the tank, or the waste line from the floor; energised, from the reference, or
from a tip at a fixed height. A dead computer thus always leaves the usual way. Wiring: MOSFET with a pull-down at its
gate, a diode across the coil; peristaltic tube in the valve needs a softer kind. Example::

    [reference.selector]
    driver = "gpio-selector"
    pin = 10

Limits: whether it has moved is not known; a reference far from the tank's alkalinity shows it.
"""

from pydantic import BaseModel, ConfigDict, Field

from saltern.ports import Driver, Wires
from saltern_drivers.gpio_pins import Output


class Config(BaseModel):
    """A pinch valve."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    pin: int = Field(ge=0, le=27)


class PinchValve:
    """Energised chooses the other line."""

    def __init__(self, output: Output) -> None:
        self._output = output

    def select(self, other: bool) -> None:
        self._output.set(other)

    def close(self) -> None:
        try:
            self._output.set(False)
        finally:
            self._output.close()


def open_valve(config: Config, wires: Wires) -> PinchValve:
    return PinchValve(Output(config.pin, wires))


DRIVER = Driver(
    kind="selector",
    config=Config,
    claims=lambda config: [f"gpio:{config.pin}"],
    open=open_valve,
    outputs=lambda config: [config.pin],
)
