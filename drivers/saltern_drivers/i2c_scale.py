"""A load cell under the vessel with a 24-bit converter on I2C (NAU7802 and its kind).

Registers and their order are those of the chip's data sheet, rev. 1.7 (from memory; tried against the twin alone):
reset; the digital part on, and waited for until it says that it is (200 us); gain 128, ten conversions a second, 3.0 V
from its own regulator; the analogue part on, and its supply waited for; conversions on; its own offset calibrated, and
waited for; the first four conversions, which the filter has not settled in, thrown away. Each step is one poll or some,
and none waits. A chip that has lost its supply or its bus goes through all of it again before a conversion counts.
Value sent = (counts - zero_counts) x g_per_count. Only differences of it are used by the bench: the zero may drift.
Example::

    [probes.balance.board]
    driver = "i2c-scale"
    g_per_count = 0.0001

Limits: creep and drift of some hundredths of a gram; tubes must hang freely.
"""

from pydantic import BaseModel, ConfigDict, Field

from saltern.ports import Clock, Connection, DeviceSilentError, Driver, DriverError, Reading, ReplyError, Wires
from saltern_drivers.header_buses import i2c_pins
from saltern_drivers.i2c_bus import ReturningBus

PU_CTRL, CTRL1, CTRL2, ADC_OUT = 0x00, 0x01, 0x02, 0x12
RESET, POWER_DIGITAL, POWER_ANALOG, POWERED, START, READY, INTERNAL_SUPPLY = 0x01, 0x02, 0x04, 0x08, 0x10, 0x20, 0x80
GAIN_128, SUPPLY_3V0 = 0x07, 0x28
TEN_PER_S, CALIBRATE, NOT_CALIBRATED = 0x00, 0x04, 0x08
DIGITAL = POWER_DIGITAL
ANALOG = DIGITAL | POWER_ANALOG | INTERNAL_SUPPLY
CONVERTING = ANALOG | START
SUPPLY_SETTLES_S = 0.25
"""The regulator and its capacitor, with a margin (common practice; the data sheet's own figure is not at hand)."""

FIRST_UNSETTLED = 4
STEP_WITHIN_S = 2.0  # each step of setting up; the longest is the calibration, some conversions long
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
    """The chip. It is set up at the first request, again after it fell silent or lost its supply."""

    unit = "g"

    def __init__(self, bus: ReturningBus, clock: Clock, config: Config) -> None:
        self._bus = bus
        self._clock = clock
        self._config = config
        self._step = "off"  # then: powering, supplying, calibrating, settling, running
        self._since_s = 0.0
        self._unsettled = 0
        self._asked_s: float | None = None

    def request(self) -> None:
        if self._asked_s is not None and self._clock.monotonic() - self._asked_s <= FORGOTTEN_S:
            return
        self._asked_s = self._clock.monotonic()
        try:
            if self._step == "running":
                self._bus.read(ADC_OUT, 3)  # a conversion that waits since long is not one made after this call
            else:
                self._set_up()
        except DriverError:
            self._forget()
            raise

    def poll(self) -> Reading | None:
        if self._asked_s is None:
            return None
        try:
            if self._step == "running":
                return self._reading()
            self._set_up()
        except ReplyError:
            self._asked_s = None
            raise
        except DriverError:
            self._forget()
            raise
        return None

    def _reading(self) -> Reading | None:
        """Return a conversion that has ended since it was asked for.

        Raises
        ------
        DeviceSilentError
            None has.
        ReplyError
            It is at the end of its range.
        """
        (status,) = self._bus.read(PU_CTRL, 1)
        if status & CONVERTING != CONVERTING:  # it has lost its supply, and its settings
            self._set_up(anew=True)
            return None
        if not status & READY:
            if self._clock.monotonic() - (self._asked_s or 0.0) > TIMEOUT_S:
                raise DeviceSilentError(
                    f"no conversion within {TIMEOUT_S} s", where=self._bus.where, remedy="Check the scale's supply"
                )
            return None
        counts = self._conversion()
        self._asked_s = None
        if abs(counts) >= RAIL:
            raise ReplyError(
                "the converter reads its limit",
                where=self._bus.where,
                remedy="Check the load cell's wires and its load",
            )
        grams = (counts - self._config.zero_counts) * self._config.g_per_count
        return Reading(grams, "g", self._clock.monotonic())

    def _set_up(self, *, anew: bool = False) -> None:
        """Go one step on, if the chip has come so far; a conversion is asked for from the end of the last on.

        Raises
        ------
        DeviceSilentError
            It does not come on.
        ReplyError
            Its calibration failed.
        """
        now_s = self._clock.monotonic()
        if anew or self._step == "off":
            self._bus.write(PU_CTRL, [RESET])
            self._bus.write(PU_CTRL, [DIGITAL])
            self._enter("powering")
        elif self._step == "powering" and self._bus.read(PU_CTRL, 1)[0] & POWERED:
            self._bus.write(CTRL1, [GAIN_128 | SUPPLY_3V0])
            self._bus.write(CTRL2, [TEN_PER_S])
            self._bus.write(PU_CTRL, [ANALOG])
            self._enter("supplying")
        elif self._step == "supplying" and now_s - self._since_s >= SUPPLY_SETTLES_S:
            self._bus.write(PU_CTRL, [CONVERTING])
            self._bus.write(CTRL2, [TEN_PER_S | CALIBRATE])
            self._enter("calibrating")
        elif self._step == "calibrating":
            self._look_at_the_calibration()
        elif self._step == "settling" and self._bus.read(PU_CTRL, 1)[0] & READY:
            self._conversion()
            self._unsettled -= 1
            if self._unsettled == 0:
                self._enter("running")
                self._asked_s = now_s
        if self._step != "running" and now_s - self._since_s > STEP_WITHIN_S:
            raise DeviceSilentError(
                f"is still {self._step} after {STEP_WITHIN_S} s", where=self._bus.where, remedy="Check its supply"
            )

    def _look_at_the_calibration(self) -> None:
        (state,) = self._bus.read(CTRL2, 1)
        if state & CALIBRATE:
            return
        if state & NOT_CALIBRATED:
            self._step = "off"
            raise ReplyError(
                "its calibration of its own offset failed",
                where=self._bus.where,
                remedy="Check its supply and the load cell's wires; it is tried again",
            )
        self._unsettled = FIRST_UNSETTLED
        self._enter("settling")

    def _enter(self, step: str) -> None:
        self._step, self._since_s = step, self._clock.monotonic()

    def _conversion(self) -> int:
        high, middle, low = self._bus.read(ADC_OUT, 3)
        counts = high << 16 | middle << 8 | low
        return counts - 0x1000000 if counts & 0x800000 else counts

    def _forget(self) -> None:
        self._step, self._asked_s = "off", None

    def connection(self) -> Connection:
        found = self._bus.connection(PU_CTRL, 1)
        if not found.up:
            self._forget()
        return found

    def close(self) -> None:
        self._bus.close()


def open_scale(config: Config, wires: Wires) -> Scale:
    return Scale(ReturningBus(wires, config.bus, config.address), wires.clock, config)


DRIVER = Driver(
    kind="probe",
    config=Config,
    claims=lambda config: [f"i2c:{config.bus}:0x{config.address:02x}"],
    open=open_scale,
    extras=("i2c",),
    buses=lambda config: i2c_pins(config.bus),
)
