"""A measuring board that speaks lines of text over a serial port.

Query boards are sent `query` and answer with a line; continuous ones (`query = ""`) send by themselves, and of them
the line counts that comes after the question. A reading
exists only when a whole line, up to its terminator, matches `pattern` and lies between `lowest` and `highest`. Input
is drained before each query, so an answer that came too late is not taken for the next one; one still on its way
when the query is sent cannot be distinguished, which is why `timeout_s` should exceed the board's slowest answer.
A port that is lost, or not there yet, is opened again by its name (`serial_port`); what came before is forgotten, and
the board is asked again what it is. Example::

    [probes.ph.board]
    driver = "serial-line"
    port = "/dev/serial/by-id/usb-your-board"
    query = "R"
    pattern = '(?P<value>[-+]?[0-9]+[.][0-9]+)'
    unit = "mV"
    identify = "i"
    identity = "PH"

Limits: one board a port. Two probes in one vessel must not share a ground: use isolated converters.
"""

import math
import re
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

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
from saltern_drivers.header_buses import uart_pins
from saltern_drivers.serial_port import REMEDY, ReturningPort, open_port

LONGEST_LINE = 256
FETCHED_WITHIN_S = 0.5
"""After its time-out; whoever still waits for an answer polls more often than that."""

PLAUSIBLE = {
    "mV": (-2000.0, 2000.0),
    "pH": (0.0, 14.0),
    "mS/cm": (0.0, 200.0),
    "uS/cm": (0.0, 200_000.0),
    "degC": (-5.0, 60.0),
    "g": (-100_000.0, 100_000.0),
    "mA": (-100.0, 10_000.0),
    "rpm": (0.0, 20_000.0),
}


class Config(BaseModel):
    """A line-protocol board."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    port: str = Field(min_length=1)
    baud: int = Field(default=9600, ge=300, le=1_000_000)
    query: str = Field(default="", max_length=64, pattern=r"^[\x20-\x7e]*$")
    terminator: Literal["\r", "\n", "\r\n"] = "\r"
    pattern: str = Field(description="regular expression of a whole reply, with a group named value")
    unit: Literal["mV", "pH", "mS/cm", "uS/cm", "degC", "g", "mA", "rpm"]
    timeout_s: float = Field(default=1.5, gt=0.05, le=10)
    lowest: float | None = Field(default=None, description="a reply below this is not a reading")
    highest: float | None = Field(default=None, description="a reply above this is not a reading")
    error_values: tuple[float, ...] = Field(default=(), description="values by which the board says: no reading")
    identify: str | None = Field(default=None, max_length=64, description="question to which the board says what it is")
    identity: str | None = Field(default=None, description="regular expression that its answer must match")
    compensate: str | None = Field(
        default=None, max_length=64, description="command that sends it the temperature, such as 'T,{celsius:.1f}'"
    )

    @model_validator(mode="after")
    def _whole(self) -> "Config":
        if (self.identify is None) != (self.identity is None):
            msg = "identify and identity go together"
            raise ValueError(msg)
        try:
            (self.compensate or "").format(celsius=25.0)
            re.compile(self.identity or "")
        except (KeyError, IndexError, ValueError, re.error) as error:
            msg = f"identity must be a regular expression, and compensate may name {{celsius}} alone: {error}"
            raise ValueError(msg) from error
        return self

    @field_validator("pattern")
    @classmethod
    def _names_the_value(cls, pattern: str) -> str:
        try:
            compiled = re.compile(pattern)
        except re.error as error:
            msg = f"is not a regular expression: {error}"
            raise ValueError(msg) from error
        if "value" not in compiled.groupindex:
            msg = "has no group named value: write (?P<value>...) around the number"
            raise ValueError(msg)
        return pattern


class LineBoard:
    """Moves bytes when polled, and waits for none."""

    def __init__(self, port: ReturningPort, clock: Clock, config: Config) -> None:
        self._port = port
        self._clock = clock
        self._config = config
        self._pattern = re.compile(config.pattern)
        self._terminator = config.terminator.encode()
        low, high = PLAUSIBLE[config.unit]
        self._low = low if config.lowest is None else config.lowest
        self._high = high if config.highest is None else config.highest
        self._received = bytearray()
        self._asked_s: float | None = None if config.query else clock.monotonic()
        self._wanted = False  # of a board that sends by itself: somebody waits for what it says next
        self._in_step = bool(config.query)  # what comes next is the beginning of a line
        self._known = config.identify is None
        self._asks_who = False  # it was asked what it is, and has not answered
        self._met = port.openings  # the opening in which it was asked who it is
        self.unit: str = config.unit
        self.wants_temperature = config.compensate is not None

    def request(self) -> None:
        self._meet()
        now_s = self._clock.monotonic()
        overdue = self._asked_s is None or now_s - self._asked_s > self._config.timeout_s + FETCHED_WITHIN_S
        if not self._config.query and self._known:
            if overdue or not self._wanted:
                self._forget_what_waits()
                self._asked_s, self._wanted = now_s, True
            return
        if self._asking() and not overdue:  # an answer that nobody fetched in its time is nobody's answer any more
            return
        self._received.clear()
        query = self._config.query if self._known else self._config.identify or ""
        self._port.reset_input_buffer()
        self._port.write(query.encode() + self._terminator)
        self._asked_s, self._in_step, self._asks_who = now_s, True, not self._known

    def _meet(self) -> bool:
        """Make sure that there is a port; return whether it is the same as before, or one that was opened anew.

        Of a new one nothing is known: what was asked before is not answered there, and who answers is asked again.

        Raises
        ------
        DeviceUnavailableError
            There is none now.
        """
        self._port.ready()
        if self._met == self._port.openings:
            return True
        self._met = self._port.openings
        self._known = self._config.identify is None
        self._ended(lost=True)
        return False

    def _asking(self) -> bool:
        """Return whether a question is under way; a board that sends by itself is asked who it is all the same."""
        return self._asked_s is not None and (bool(self._config.query) or self._asks_who)

    def _forget_what_waits(self) -> None:
        """Drop the lines that have come since somebody last listened; the one that is just coming stays.

        Where more came than a line has, some may be lost in between, and the next line's beginning must be found first.
        """
        self._take_in()
        if len(self._received) > LONGEST_LINE:
            self._received.clear()
            self._in_step = False
            return
        end = self._received.rfind(self._terminator)
        if end >= 0:
            del self._received[: end + len(self._terminator)]
            self._in_step = True

    def _take_in(self) -> None:
        waiting = self._port.in_waiting
        if waiting:
            self._received += self._port.read(waiting)

    def compensate(self, celsius: float) -> None:
        """Send the board the liquid's temperature, if the bench file says how.

        Raises
        ------
        DeviceUnavailableError
            The port is gone, or who answers there now has not said what it is.
        """
        if self._config.compensate is not None:
            self._meet()
            if not self._known:
                raise DeviceUnavailableError(
                    "the board has not said yet what it is", where=self._config.port, remedy="Ask it for a reading"
                )
            self._port.write(self._config.compensate.format(celsius=celsius).encode() + self._terminator)

    def poll(self) -> Reading | None:
        if self._asked_s is None:
            return None
        if not self._meet():
            raise DeviceUnavailableError(
                "the port was lost and opened again: what was asked before is not answered any more",
                where=self._config.port,
                remedy=REMEDY,
            )
        self._take_in()
        end = self._received.find(self._terminator)
        if end >= 0 and not self._in_step:
            del self._received[: end + len(self._terminator)]
            self._in_step, self._asked_s = True, self._clock.monotonic()
            end = self._received.find(self._terminator)
        if end >= 0:
            line = bytes(self._received[:end])
            del self._received[: end + len(self._terminator)]
            if self._asks_who and not self._config.query and self._pattern.fullmatch(_text(line)):
                return None  # what it sends by itself is not its answer
            self._ended()
            if not self._known:
                self._recognise(line)
                self.request()
                return None
            return self._reading(line)
        if len(self._received) > LONGEST_LINE:
            self._ended(lost=True)
            raise ReplyError(
                f"{LONGEST_LINE} bytes came without an end of line",
                where=self._config.port,
                remedy="Check baud and terminator",
            )
        if self._clock.monotonic() - self._asked_s > self._config.timeout_s:
            got = f"only {bytes(self._received)!r}" if self._received else "nothing"
            self._ended(lost=True)
            raise DeviceSilentError(
                f"{got} came within {self._config.timeout_s} s",
                where=self._config.port,
                remedy="Check power and wiring of the board, baud and terminator",
            )
        return None

    def close(self) -> None:
        self._port.close()

    def _ended(self, *, lost: bool = False) -> None:
        """Note that nothing is waited for; lost: that the beginning of the next line must be found first."""
        self._asks_who = False
        self._asked_s = None if self._config.query else self._clock.monotonic()
        self._wanted = False
        if lost:
            self._received.clear()
            self._in_step = bool(self._config.query)

    def _recognise(self, line: bytes) -> None:
        """Take the board for known if it says that it is the one that was meant."""
        text = _text(line)
        if self._config.identity is None or re.search(self._config.identity, text) is None:
            raise ReplyError(
                f"another board answers here: {text[:60]!r} is not {self._config.identity!r}",
                where=self._config.port,
                remedy="Look which board is plugged in where, and at the port's name",
            )
        self._known = True

    def _reading(self, line: bytes) -> Reading:
        text = _text(line)
        match = self._pattern.fullmatch(text)
        try:
            value = float(match["value"]) if match else math.nan
        except (TypeError, ValueError):
            value = math.nan
        if not self._low <= value <= self._high or value in self._config.error_values:
            raise ReplyError(
                f"{text[:60]!r} is not a reading between {self._low:g} and {self._high:g} {self._config.unit}",
                where=self._config.port,
                remedy="Check the probe and its plug; if the board is well, check pattern and unit",
            )
        return Reading(value, self._config.unit, self._clock.monotonic())

    def connection(self) -> Connection:
        return self._port.connection()


def _text(line: bytes) -> str:
    return line.decode("ascii", errors="replace").strip()


def open_board(config: Config, wires: Wires) -> LineBoard:
    return LineBoard(open_port(wires, config.port, baudrate=config.baud), wires.clock, config)


DRIVER = Driver(
    kind="probe",
    config=Config,
    claims=lambda config: [f"serial:{config.port}"],
    open=open_board,
    buses=lambda config: uart_pins(config.port),
)
