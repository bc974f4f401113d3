"""A temperature probe on the 1-wire bus (DS18B20 and its kind), through the kernel's files.

The kernel converts while the file is read, which takes most of a second: a thread of its own reads, the bench polls.
The file goes with the sensor and comes back with it, under the same name; nothing has to be opened again.
The kernel checks the bus's CRC; 85 degC is what the chip says before its first conversion, and no reading. Example::

    [probes.temperature.board]
    driver = "w1-temperature"
    sensor = "28-00000b5c21aa"

Wiring: data to GPIO 4 (dtoverlay=w1-gpio), 4.7 kohm to 3.3 V; the sealed steel probe, not the bare chip.
Limits: 0.5 K as bought, which a one-point calibration takes to 0.1 K.
"""

from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path

from pydantic import BaseModel, ConfigDict, Field

from saltern.ports import (
    Clock,
    Connection,
    DeviceSilentError,
    DeviceUnavailableError,
    Driver,
    Reading,
    ReplyError,
    Wires,
)
from saltern_drivers.header_buses import w1_pins

BEFORE_THE_FIRST_C = 85.0
POSSIBLE_C = (-5.0, 60.0)
REMEDY = "Check the probe, its plug and its number; `saltern probe` lists what is there (dtoverlay=w1-gpio)"


class Config(BaseModel):
    """A 1-wire thermometer."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    sensor: str = Field(pattern=r"^[0-9a-f]{2}-[0-9a-f]{6,12}$", description="its number, as in /sys/bus/w1/devices")
    folder: str = Field(default="/sys/bus/w1/devices", description="where the kernel keeps its files")
    timeout_s: float = Field(default=3.0, gt=0.1, le=10)


class W1Thermometer:
    """Reads the kernel's file in a thread of its own."""

    unit = "degC"

    def __init__(self, clock: Clock, config: Config) -> None:
        self._clock = clock
        self._config = config
        self._file = Path(config.folder) / config.sensor / "temperature"
        self._reader = ThreadPoolExecutor(max_workers=1, thread_name_prefix="w1")
        self._reading: Future[str] | None = None
        self._asked_s = 0.0
        self._was_there = True
        self._returns = 0
        self.connection()

    def request(self) -> None:
        now_s = self._clock.monotonic()
        overdue = now_s - self._asked_s > self._config.timeout_s
        if self._reading is None or (overdue and self._reading.done()):  # nobody fetched it in its time
            self._asked_s = now_s
            try:
                self._reading = self._reader.submit(self._file.read_text)
            except RuntimeError as error:  # no thread to be had
                self._reading = None
                raise self._gone(error) from error

    def poll(self) -> Reading | None:
        if self._reading is None:
            return None
        if not self._reading.done():
            if self._clock.monotonic() - self._asked_s > self._config.timeout_s:
                raise DeviceSilentError(
                    f"the kernel has not read it within {self._config.timeout_s} s",
                    where=str(self._file),
                    remedy="Check the bus's wires and its pull-up",
                )
            return None
        done, self._reading = self._reading, None
        try:
            text = done.result()
        except UnicodeDecodeError as error:
            raise self._no_number() from error
        except Exception as error:
            raise self._gone(error) from error
        try:
            celsius = int(text) / 1000.0
        except ValueError as error:
            raise self._no_number() from error
        if celsius == BEFORE_THE_FIRST_C or not POSSIBLE_C[0] <= celsius <= POSSIBLE_C[1]:
            raise ReplyError(
                f"{celsius:g} degC is not a reading", where=str(self._file), remedy="Check the probe's supply and wires"
            )
        return Reading(celsius, "degC", self._clock.monotonic())

    def _no_number(self) -> ReplyError:
        return ReplyError("the kernel's file holds no number", where=str(self._file), remedy="Check the bus")

    def _gone(self, error: Exception) -> DeviceUnavailableError:
        return DeviceUnavailableError(
            f"cannot be read ({getattr(error, 'strerror', None) or error})", where=str(self._file), remedy=REMEDY
        )

    def connection(self) -> Connection:
        """Check whether the kernel knows the sensor; it is not asked for a conversion."""
        try:
            there = self._file.exists()
        except Exception:  # noqa: BLE001 - what cannot be looked at is not there
            there = False
        self._returns += there and not self._was_there
        self._was_there = there
        trouble = "" if there else "no such sensor is on the bus"
        return Connection(str(self._file), there, self._returns, trouble, REMEDY)

    def close(self) -> None:
        self._reader.shutdown(wait=False, cancel_futures=True)


def open_thermometer(config: Config, wires: Wires) -> W1Thermometer:
    return W1Thermometer(wires.clock, config)


DRIVER = Driver(
    kind="probe",
    config=Config,
    claims=lambda config: [f"w1:{config.sensor}"],
    open=open_thermometer,
    buses=lambda config: w1_pins(),
)
