"""A stirrer motor through a MOSFET, its speed by PWM.

Wiring: active-high gate with a pull-down of its own, a diode across the motor. Example::

    [stirrer.drive]
    driver = "gpio-stirrer"
    pin = 18

Limits: that it turns is not known by itself; `[stirrer.sensor]` looks (gpio-tachometer, i2c-adc).
"""

from pydantic import BaseModel, ConfigDict, Field

from saltern.ports import Driver, MisuseError, Wires
from saltern_drivers.gpio_pins import PwmOutput


class Config(BaseModel):
    """A stirrer."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    pin: int = Field(ge=0, le=27)
    frequency_hz: int = Field(default=200, ge=10, le=2000)


class PwmStirrer:
    """Turns at a share of full speed."""

    def __init__(self, output: PwmOutput) -> None:
        self._output = output

    def set_speed(self, fraction: float) -> None:
        if not 0.0 <= fraction <= 1.0:
            raise MisuseError(f"{fraction} is not a share of full speed", where="stirrer", remedy="Give 0 to 1")
        self._output.set(fraction)

    def close(self) -> None:
        self._output.close()


def open_stirrer(config: Config, wires: Wires) -> PwmStirrer:
    return PwmStirrer(PwmOutput(config.pin, config.frequency_hz, wires))


DRIVER = Driver(
    kind="stirrer",
    config=Config,
    claims=lambda config: [f"gpio:{config.pin}"],
    open=open_stirrer,
    outputs=lambda config: [config.pin],
)
