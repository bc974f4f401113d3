"""A load cell under the vessel with a 24-bit converter on I2C (NAU7802 and its kind).

Registers are those of the chip's data sheet, rev. 1.7 (from memory; tried against the twin alone). The chip is
started, set to gain 128 and ten conversions a second, and calibrates its own offset; then each poll asks whether a
conversion is ready. Value sent = (counts - zero_counts) x g_per_count. Only differences of it are used by the bench:
the zero may drift. Example::

    [probes.balance.board]
    driver = "i2c-scale"
    g_per_count = 0.0001

Limits: creep and drift of some hundredths of a gram; tubes must hang freely.
"""

from pydantic import BaseModel, ConfigDict, Field

from saltern.ports import (
    Clock,
    DeviceSilentError,
    DeviceUnavailableError,
    Driver,
    I2cBus,
    Reading,
    ReplyError,
    Wires,
)

PU_CTRL, CTRL1, CTRL2, ADC_OUT = 0x00, 0x01, 0x02, 0x12
RESET, POWER_DIGITAL, POWER_ANALOG, POWERED, START, READY, INTERNAL_SUPPLY = 0x01, 0x02, 0x04, 0x08, 0x10, 0x20, 0x80
GAIN_128, SUPPLY_3V0 = 0x07, 0x28
TEN_PER_S, CALIBRATE = 0x00, 0x04
FORGOTTEN_S = 2.0  # nobody fetches it any more
TIMEOUT_S = 1.0
RAIL = 0x7FFFF0


class Config(BaseModel):
    """A load cell's converter."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    bus: int = Field(default=1, ge=0, le=20)
    address: int = Field(default=0x2A, ge=0x2A, le=0x2A)
    g_per_count: float = Field(description="from two known masses; negative turns the sign")
    zero_counts: int = 0


class Scale:
    """The chip. It is set up at the first request, again after it fell silent."""

    def __init__(self, bus: I2cBus, clock: Clock, config: Config) -> None:
        self._bus = bus
        self._clock = clock
        self._config = config
        self._where = f"i2c-{config.bus} 0x{config.address:02x}"
        self._set_up = False
        self._asked_s: float | None = None
        self.unit = "g"

    def request(self) -> None:
        if self._asked_s is not None and self._clock.monotonic() - self._asked_s <= FORGOTTEN_S:
            return
        if not self._set_up:
            for register, value in (
                (PU_CTRL, RESET),
                (PU_CTRL, POWER_DIGITAL | POWER_ANALOG),
                (CTRL1, GAIN_128 | SUPPLY_3V0),
                (CTRL2, TEN_PER_S | CALIBRATE),
                (PU_CTRL, POWER_DIGITAL | POWER_ANALOG | START | INTERNAL_SUPPLY),
            ):
                self._write(register, value)
            self._set_up = True
        else:
            self._read(ADC_OUT, 3)  # a conversion that waits since long is not one made after this call
        self._asked_s = self._clock.monotonic()

    def poll(self) -> Reading | None:
        if self._asked_s is None:
            return None
        (status,) = self._read(PU_CTRL, 1)
        if not status & READY:
            if self._clock.monotonic() - self._asked_s > TIMEOUT_S:
                self._asked_s, self._set_up = None, False
                raise DeviceSilentError(
                    f"no conversion within {TIMEOUT_S} s", where=self._where, remedy="Check the scale's supply"
                )
            return None
        self._asked_s = None
        high, middle, low = self._read(ADC_OUT, 3)
        counts = high << 16 | middle << 8 | low
        counts -= 0x1000000 if counts & 0x800000 else 0
        if abs(counts) >= RAIL:
            raise ReplyError(
                "the converter is at its rail", where=self._where, remedy="Look at the load cell's wires and its load"
            )
        grams = (counts - self._config.zero_counts) * self._config.g_per_count
        return Reading(grams, "g", self._clock.monotonic())

    def close(self) -> None:
        self._bus.close()

    def _read(self, register: int, length: int) -> list[int]:
        try:
            found = list(self._bus.read_i2c_block_data(self._config.address, register, length))
        except OSError as error:
            raise self._gone(error) from error
        if len(found) != length:
            raise self._gone(OSError(f"{len(found)} bytes of {length}"))
        return found

    def _write(self, register: int, value: int) -> None:
        try:
            self._bus.write_i2c_block_data(self._config.address, register, [value])
        except OSError as error:
            raise self._gone(error) from error

    def _gone(self, error: Exception) -> DeviceUnavailableError:
        self._asked_s, self._set_up = None, False
        return DeviceUnavailableError(
            f"does not answer ({error})", where=self._where, remedy="Check its supply, its wires and its address"
        )


def open_scale(config: Config, wires: Wires) -> Scale:
    return Scale(wires.open_i2c(config.bus), wires.clock, config)


DRIVER = Driver(
    kind="probe",
    config=Config,
    claims=lambda config: [f"i2c:{config.bus}:0x{config.address:02x}"],
    open=open_scale,
    extras=("i2c",),
)
