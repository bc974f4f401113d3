"""A probe on Modbus RTU, by a register map in the bench file.

Several may hang on one line: the same port, other numbers. Value sent = `offset` + `scale` x what the registers hold.
Example, a transmitter that sends pH as a float, and its temperature beside it::

    [probes.ph.board]
    driver = "modbus-probe"
    port = "/dev/serial/by-id/usb-your-converter"
    device = 1
    address = 0
    type = "float32"
    unit = "pH"

Limits: wires A and B, a ground, 120 ohm at both ends; an isolated converter where two electrodes share a vessel.
"""

import math
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from saltern.ports import Clock, Connection, Driver, Reading, ReplyError, Wires
from saltern_drivers.header_buses import uart_pins
from saltern_drivers.modbus_line import ModbusLine, Transaction, shared_line
from saltern_drivers.modbus_registers import Form, WordOrder, decoded, words_of
from saltern_drivers.serial_line import PLAUSIBLE

WAITS_S = 1.0
"""Until a question's turn comes on a line that others share."""


class Config(BaseModel):
    """A probe by its registers."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    port: str = Field(min_length=1)
    baud: int = Field(default=9600, ge=1200, le=1_000_000)
    parity: Literal["N", "E", "O"] = "N"
    device: int = Field(ge=1, le=247, description="its number on the line")
    address: int = Field(ge=0, le=65535, description="of its first register, counted from 0")
    kind: Literal["input", "holding"] = "holding"
    type: Form = "int16"
    word_order: WordOrder = "high-first"
    scale: float = 1.0
    offset: float = 0.0
    unit: Literal["mV", "pH", "mS/cm", "uS/cm", "degC", "g", "mA", "rpm"]
    timeout_s: float = Field(default=0.5, gt=0.02, le=5)
    lowest: float | None = None
    highest: float | None = None


class ModbusProbe:
    """Some registers of one device."""

    def __init__(self, line: ModbusLine, clock: Clock, config: Config) -> None:
        self._line = line
        self._clock = clock
        self._config = config
        low, high = PLAUSIBLE[config.unit]
        self._low = low if config.lowest is None else config.lowest
        self._high = high if config.highest is None else config.highest
        self._asked: Transaction | None = None
        self._asked_s = 0.0
        self.unit: str = config.unit

    def request(self) -> None:
        now_s = self._clock.monotonic()
        if self._asked is not None and now_s - self._asked_s > self._config.timeout_s + WAITS_S:
            self._line.withdraw(self._asked)  # what nobody fetched in its time is nobody's answer any more
            self._asked = None
        if self._asked is None:
            config = self._config
            self._asked_s = now_s
            self._asked = self._line.read(
                config.device,
                config.address,
                words_of(config.type),
                holding=config.kind == "holding",
                timeout_s=config.timeout_s,
            )

    def poll(self) -> Reading | None:
        self._line.serve()
        asked = self._asked
        if asked is None or not asked.done:
            return None
        self._asked = None
        if asked.error is not None:
            raise asked.error
        return self._reading(asked.registers or [])

    def connection(self) -> Connection:
        return self._line.connection()

    def close(self) -> None:
        self._line.release()

    def _reading(self, registers: list[int]) -> Reading:
        form = self._config.type
        if len(registers) != words_of(form):
            raise ReplyError(
                f"{len(registers)} registers came", where=self._line.where, remedy="Check type and address"
            )
        raw = decoded(registers, form, self._config.word_order)
        value = self._config.offset + self._config.scale * raw
        if math.isnan(value) or not self._low <= value <= self._high:
            raise ReplyError(
                f"{value:g} is not a reading between {self._low:g} and {self._high:g} {self._config.unit}",
                where=self._line.where,
                remedy="Check the probe and its plug; if it is well, check type, word_order and scale",
            )
        return Reading(value, self._config.unit, self._clock.monotonic())


def open_probe(config: Config, wires: Wires) -> ModbusProbe:
    return ModbusProbe(shared_line(wires, config.port, config.baud, config.parity), wires.clock, config)


DRIVER = Driver(
    kind="probe",
    config=Config,
    claims=lambda config: [f"modbus:{config.port}:{config.device}:{config.kind}:{config.address}"],
    open=open_probe,
    extras=("modbus",),
    buses=lambda config: uart_pins(config.port),
)
