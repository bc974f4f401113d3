"""A 16-bit converter on I2C (ADS1115 and its kind): an electrode's preamplifier, or the current of the stirrer's motor.

The chip converts when asked and is asked again whether it has done; nothing waits. Its registers are those of the
data sheet (Texas Instruments SBAS444): conversion 0, config 1. Value sent = `offset` + `per_mv` x millivolts at the
input. Example, a motor's current through a shunt of 1 ohm::

    [stirrer.sensor]
    lowest = 30.0
    highest = 120.0
    [stirrer.sensor.board]
    driver = "i2c-adc"
    input = "0"
    full_scale_v = 0.256
    unit = "mA"

and an electrode behind a preamplifier that puts its zero at 1.024 V::

    [probes.ph.board]
    driver = "i2c-adc"
    input = "1"
    full_scale_v = 2.048
    offset = -1024.0

Limits: inputs must stay between ground and the chip's supply, so an electrode needs an isolated preamplifier with its
zero in the middle (`offset` takes it off again); the chip itself has 1e12 ohm of nothing.
"""

from dataclasses import dataclass
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator

from saltern.ports import Clock, Connection, DeviceSilentError, Driver, DriverError, Reading, ReplyError, Wires
from saltern_drivers.header_buses import i2c_pins
from saltern_drivers.i2c_bus import ReturningBus

CONVERSION, CONFIG = 0x00, 0x01
START, SINGLE_SHOT, EIGHT_PER_S, COMPARATOR_OFF = 0x8000, 0x0100, 0x0000, 0x0003
MUX = {"0-1": 0, "0-3": 1, "1-3": 2, "2-3": 3, "0": 4, "1": 5, "2": 6, "3": 7}
GAIN = {6.144: 0, 4.096: 1, 2.048: 2, 1.024: 3, 0.512: 4, 0.256: 5}
FORGOTTEN_S = 1.0  # nobody fetches it any more
TIMEOUT_S = 0.5  # a conversion at eight a second takes 0.125 s, give or take a tenth


class Config(BaseModel):
    """A converter's input."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    bus: int = Field(default=1, ge=0, le=20)
    address: int = Field(default=0x48, ge=0x48, le=0x4B)
    input: Literal["0", "1", "2", "3", "0-1", "0-3", "1-3", "2-3"]
    full_scale_v: float = Field(default=2.048, description="6.144, 4.096, 2.048, 1.024, 0.512 or 0.256")
    unit: Literal["mV", "mA", "pH", "mS/cm", "uS/cm", "degC"] = "mV"
    per_mv: float = Field(default=1.0, description="of the unit, for each mV at the input; negative turns the sign")
    offset: float = 0.0

    @field_validator("full_scale_v")
    @classmethod
    def _of_the_chip(cls, volts: float) -> float:
        if volts not in GAIN:
            msg = f"the chip's ranges are {', '.join(f'{v:g}' for v in GAIN)} V"
            raise ValueError(msg)
        return volts


@dataclass
class Chip:
    """One converter: it makes one conversion at a time, of the input that asked last."""

    converts_for: "Converter | None" = None
    asked: int = 0  # the word that it was last sent


class Converter:
    """One input of the chip."""

    def __init__(self, bus: ReturningBus, clock: Clock, config: Config, chip: Chip) -> None:
        self._bus = bus
        self._chip = chip
        self._clock = clock
        self._config = config
        self._asked_s: float | None = None
        self.unit: str = config.unit

    def request(self) -> None:
        if self._asked_s is not None and self._clock.monotonic() - self._asked_s <= FORGOTTEN_S:
            return
        word = (
            START
            | MUX[self._config.input] << 12
            | GAIN[self._config.full_scale_v] << 9
            | SINGLE_SHOT
            | EIGHT_PER_S
            | COMPARATOR_OFF
        )
        self._asked_s = None
        self._bus.write(CONFIG, [word >> 8, word & 0xFF])
        self._chip.converts_for, self._chip.asked = self, word
        self._asked_s = self._clock.monotonic()

    def poll(self) -> Reading | None:
        if self._asked_s is None:
            return None
        if self._chip.converts_for is not self:  # another input has asked since: what is there is not ours
            self._asked_s = None
            self.request()
            return None
        word = self._read(CONFIG)
        if (word ^ self._chip.asked) & ~START & 0xFFFF:
            self._asked_s = None
            raise ReplyError(
                f"the chip has forgotten what it was asked (0x{word:04x})",
                where=self._bus.where,
                remedy="Check its supply: it was without for a moment",
            )
        if not word & START:  # the bit is 0 while it converts
            if self._clock.monotonic() - self._asked_s > TIMEOUT_S:
                self._asked_s = None
                raise DeviceSilentError(
                    f"no conversion finished within {TIMEOUT_S} s",
                    where=self._bus.where,
                    remedy="Check the converter's supply",
                )
            return None
        self._asked_s = None
        counts = self._read(CONVERSION)
        counts -= 0x10000 if counts & 0x8000 else 0
        if counts in (0x7FFF, -0x8000):
            raise ReplyError(
                f"the input is at or beyond {self._config.full_scale_v} V",
                where=self._bus.where,
                remedy="Check the probe and its plug, or choose a larger full_scale_v",
            )
        mv = counts * self._config.full_scale_v * 1000.0 / 32768.0
        return Reading(self._config.offset + self._config.per_mv * mv, self._config.unit, self._clock.monotonic())

    def connection(self) -> Connection:
        return self._bus.connection(CONFIG, 2)

    def close(self) -> None:
        self._bus.close()

    def _read(self, register: int) -> int:
        try:
            high, low = self._bus.read(register, 2)
        except DriverError:
            self._asked_s = None
            raise
        return high << 8 | low


def open_converter(config: Config, wires: Wires) -> Converter:
    chip = wires.shared.setdefault(f"i2c-adc:{config.bus}:{config.address}", Chip())
    assert isinstance(chip, Chip)  # noqa: S101 - the key says so
    return Converter(ReturningBus(wires, config.bus, config.address), wires.clock, config, chip)


DRIVER = Driver(
    kind="probe",
    config=Config,
    claims=lambda config: [f"i2c:{config.bus}:0x{config.address:02x}:{config.input}"],
    open=open_converter,
    extras=("i2c",),
    buses=lambda config: i2c_pins(config.bus),
)
