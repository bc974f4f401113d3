"""The host's side of the pump node (hardware/pump_node): pumps, permits and stirrer of one board on its own line.

The node turns a pump only while its permit is fresh, and a permit is a frame that the guard's scan sends: a host that
hangs or dies loses its pumps within the node's time-out (0.5 s), measured on the node. Motions carry a sequence number,
so that one asked again because an answer was lost is not done twice. Steps are counted by the node on its step pins;
what it cannot know, and what a reset, a lost line or a halt leaves unknown here, is said as an interval. The node wants
a line of its own: permits are sent without waiting for what else is under way.

Example::

    [pumps.sample.drive]
    driver = "node-pump"
    port = "/dev/serial/by-id/usb-your-board"
    pump = "sample"
    steps_per_s = 2667
    start_steps_per_s = 400
    acceleration_steps_per_s2 = 10000
    [pumps.sample.permit]
    driver = "node-permit"
    port = "/dev/serial/by-id/usb-your-board"
    pump = "sample"

Limits: one node a line. Its float input and its own time-out are its, and act without the host; its float never stops
or refuses waste. A motor that loses steps is not seen.
"""

from contextlib import suppress
from dataclasses import dataclass
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from saltern.ports import (
    Clock,
    Connection,
    DeviceUnavailableError,
    Direction,
    Driver,
    DriverError,
    MisuseError,
    Progress,
    Wires,
)
from saltern_drivers.header_buses import uart_pins
from saltern_drivers.modbus_line import ModbusLine, Transaction, shared_line

NUMBERS = {"sample": 0, "waste": 1, "titrant": 2}
PERMITS, HALT, STIRRER, ACKNOWLEDGE = 1, 2, 3, 0
MAP_VERSION, ALL_INPUTS = 2, 40
TURNING, DONE, HALTED = 1, 2, 3
SILENT_LATCH, FLOAT_LATCH, SELF_TEST_LATCH = 1, 2, 4
ADDS = (0, 2)  # the pumps that the node's float stops
LAPSE_S = 0.5
BEAT_S = 0.08
TRIES = 3
TIMEOUT_S = 0.25
LONGEST_S = 70.0
LATE_S = 0.15  # a report is at most so old when it is taken up
RAMPS_S = 1.0  # what the ramps of a motion may add to its time
DISTURBED_SHARE, DISTURBED_STEPS = 0.01, 8  # a count that is off by more than both is no disturbance: a broken wire


class Config(BaseModel):
    """Where the node is, and which pump of it."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    port: str = Field(min_length=1)
    baud: int = Field(default=115_200, ge=9600, le=1_000_000)
    device: int = Field(default=10, ge=1, le=247)
    pump: Literal["sample", "waste", "titrant"]


class PumpConfig(Config):
    """A pump of the node."""

    steps_per_s: int = Field(ge=20, le=20_000)
    start_steps_per_s: int = Field(
        default=400, ge=20, le=20_000, description="rate of the first pulses after standstill"
    )
    acceleration_steps_per_s2: int = Field(default=10_000, ge=100, le=1_000_000)
    reversible: bool = False

    @model_validator(mode="after")
    def _ramps(self) -> "PumpConfig":
        rise = max(0, self.steps_per_s - self.start_steps_per_s)
        if rise * rise > RAMPS_S * self.acceleration_steps_per_s2 * self.steps_per_s:
            msg = "the ramps of a motion would add more than a second: raise acceleration_steps_per_s2"
            raise ValueError(msg)
        return self


class StirrerConfig(BaseModel):
    """The node's stirrer."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    port: str = Field(min_length=1)
    baud: int = Field(default=115_200, ge=9600, le=1_000_000)
    device: int = Field(default=10, ge=1, le=247)


@dataclass(frozen=True)
class Report:
    """What the node said of itself and of one pump."""

    asked_s: float
    reset_cause: int
    nonce: int
    latches: int
    float_up: bool
    sequence: int
    state: int
    least: int
    most: int


class NodeLink:
    """One node, shared by the drivers of what it turns."""

    def __init__(self, line: ModbusLine, clock: Clock, device: int) -> None:
        self.line = line
        self.clock = clock
        self.device = device
        self._permitted = 0
        self._beaten_s = -1.0

    def beat(self, pump: int) -> None:
        """Permit a pump for another while."""
        now_s = self.clock.monotonic()
        fresh = self._permitted >> pump & 1 and now_s - self._beaten_s < BEAT_S
        self._permitted |= 1 << pump
        if not fresh:
            self.line.write_now(self.device, PERMITS, [self._permitted])
            self._beaten_s = now_s

    def withdraw(self, pump: int) -> None:
        """Take a permit back at once, from any thread; one that is not out costs nothing."""
        if self._permitted >> pump & 1:
            self._permitted &= ~(1 << pump)
            self.line.stop_now(self.device, PERMITS, [self._permitted])

    def halt(self, pump: int) -> None:
        self.line.stop_now(self.device, HALT, [1 << pump])

    def ask(self) -> Transaction:
        return self.line.read(self.device, 0, ALL_INPUTS, holding=False, timeout_s=TIMEOUT_S)

    def report(self, transaction: Transaction, pump: int) -> Report:
        """Read what the node answered.

        Raises
        ------
        DeviceUnavailableError
            It is not a node that this driver knows.
        """
        r = transaction.registers or []
        if len(r) != ALL_INPUTS or r[0] == 0:
            raise DeviceUnavailableError(
                f"device {self.device} is not a pump node", where=self.line.where, remedy="Check port and number"
            )
        if r[0] != MAP_VERSION:
            older = r[0] < MAP_VERSION
            raise DeviceUnavailableError(
                f"the pump node's firmware has register map {r[0]}, and this service speaks {MAP_VERSION}",
                where=self.line.where,
                remedy="Put this release's hardware/pump_node/node.py and main.py on the board"
                if older
                else "Bring the service up to date, or put this release's firmware on the board",
            )
        at = 16 + 8 * pump
        return Report(
            asked_s=transaction.sent_s or 0.0,
            reset_cause=r[2],
            nonce=r[3],
            latches=r[4],
            float_up=bool(r[5] & 1),
            sequence=r[at],
            state=r[at + 1],
            least=r[at + 2] << 16 | r[at + 3],
            most=r[at + 4] << 16 | r[at + 5],
        )


class NodePump:
    """A pump head of the node. All waiting is done by being polled."""

    unit: Literal["s", "steps"] = "steps"

    def __init__(self, link: NodeLink, config: PumpConfig) -> None:
        self._link = link
        self._pump = NUMBERS[config.pump]
        self.rate = float(config.steps_per_s)
        self.reversible = config.reversible
        self.longest = LONGEST_S * self.rate
        self._ramp = (config.start_steps_per_s, config.acceleration_steps_per_s2)
        self._asked = 0
        self._backward = False
        self._phase = "idle"  # then: asking, acknowledging, sending, turning, over
        self._transaction: Transaction | None = None
        self._sequence = 0
        self._nonce = 0
        self._stands = True  # as far as is known: the end of the last motion was reported
        self._failures = 0
        self._at_least = self._at_most = 0
        self._doubt = ""
        self._reported_s = 0.0

    def start(self, amount: float, direction: Direction = Direction.FORWARD) -> None:
        if self._phase not in ("idle", "over"):
            raise MisuseError("a motion is under way", where=self._where(), remedy="Wait for it, or halt it")
        if not 0.0 < amount <= self.longest or round(amount) < 1:
            raise MisuseError(
                f"{amount:g} steps are not between 1 and {self.longest:g}", where=self._where(), remedy="Ask for less"
            )
        if direction is Direction.REVERSE and not self.reversible:
            raise MisuseError("this head turns one way", where=self._where(), remedy="Set reversible, if it may")
        self._asked, self._backward = round(amount), direction is Direction.REVERSE
        self._at_least = self._at_most = self._failures = 0
        self._doubt = ""
        self._phase, self._transaction = "asking", self._link.ask()
        self._reported_s = self._link.clock.monotonic()

    def progress(self) -> Progress:
        if self._phase in ("idle", "over"):
            return Progress(False, float(self._at_least), float(self._at_most), self._doubt)
        self._link.line.serve()
        transaction = self._transaction
        if transaction is not None and transaction.done:
            self._transaction = None
            if transaction.error is not None:
                self._failed(transaction.error)
            else:
                try:
                    self._next(transaction)
                except DriverError:
                    with suppress(DriverError):  # what has happened already is the one to report
                        self.halt()
                    raise
        running = self._phase != "over"
        most = self._bound() if running else self._at_most
        return Progress(running, float(self._at_least), float(most), self._doubt)

    def _next(self, transaction: Transaction) -> None:
        """Take up an answer, and ask what comes after it."""
        self._failures = 0
        link = self._link
        if self._phase == "sending":
            self._phase, self._transaction = "turning", link.ask()
            return
        if self._phase == "acknowledging":
            self._phase, self._transaction = "asking", link.ask()
            return
        report = link.report(transaction, self._pump)
        if self._phase == "asking":
            self._begin(report)
            return
        if self._nonce != report.nonce or report.sequence != self._sequence:
            self._end(self._at_least, self._bound(LAPSE_S if report.state == TURNING else 0.0))
            with suppress(DriverError):
                link.halt(self._pump)
            raise DriverError(
                f"the pump node has reset in the middle of a motion (cause {report.reset_cause}): between "
                f"{self._at_least} and {self._at_most} of {self._asked} steps were done",
                where=self._where(),
                remedy="Check its supply and its USB cable",
            )
        self._at_least, self._at_most, self._reported_s = report.least, report.most, report.asked_s
        if report.state not in (DONE, HALTED):
            self._transaction = link.ask()
            return
        self._stands = True
        self._end(report.least, report.most)
        self._check_end(report)

    def _begin(self, report: Report) -> None:
        """Send the command, if the node is ready for it.

        Raises
        ------
        DriverError
            It is not, and why.
        """
        link = self._link
        if report.state == TURNING:
            self._stands = False
            self._end(0, self._bound(LAPSE_S))
            with suppress(DriverError):
                link.halt(self._pump)
            raise DriverError(
                "the pump was still turning, from a motion before this one",
                where=self._where(),
                remedy="Check the cable to the node: its halt had not arrived",
            )
        self._stands = True
        if report.latches & SILENT_LATCH:
            self._phase = "acknowledging"
            self._transaction = link.line.write(link.device, ACKNOWLEDGE, [SILENT_LATCH], timeout_s=TIMEOUT_S)
            return
        if report.latches & SELF_TEST_LATCH:
            self._end(0, 0)
            raise DriverError(
                "a motor of the pump node turned at its start, or its step counter does not answer",
                where=self._where(),
                remedy="Check the motors and the wiring, then switch the node's power off and on again",
            )
        if self._pump in ADDS and (report.float_up or report.latches & FLOAT_LATCH):
            self._end(0, 0)
            raise self._float_error()
        # An unanswered command may have begun at its first sending: what it can have done counts from here.
        self._reported_s = link.clock.monotonic()
        self._nonce = report.nonce
        self._send(report.sequence % 0xFFFF + 1)

    def _check_end(self, report: Report) -> None:
        """Say why a motion ended, if the node itself ended it.

        Raises
        ------
        DriverError
            For its float, for the host's silence, or with a count that is far from what it must be.
        """
        if report.least != report.most:
            self._doubt = (
                f"the pump node's count contradicts its clock: between {report.least} and {report.most} of "
                f"{self._asked} steps were done"
            )
        if report.most - report.least > max(DISTURBED_STEPS, DISTURBED_SHARE * self._asked):
            raise DriverError(
                self._doubt,
                where=self._where(),
                remedy="Look for a short or an open circuit at the step pin, and keep it away from the motor's cable",
            )
        if report.state == HALTED and self._pump in ADDS and report.latches & FLOAT_LATCH:
            raise self._float_error()
        if report.state == HALTED and report.latches & SILENT_LATCH:
            raise DriverError(
                f"the pump node heard nothing for {LAPSE_S} s and stopped after {report.least} of {self._asked} steps",
                where=self._where(),
                remedy="Check the cable to the node, and what keeps this computer busy",
            )

    def _float_error(self) -> DriverError:
        return DriverError(
            "the pump node has stopped for its float: sample and titrant are locked, waste is not",
            where=self._where(),
            remedy="Check the vessel and empty it; then take the node's supply away and give it again",
        )

    def _send(self, sequence: int) -> None:
        self._sequence = sequence
        values = [sequence, int(self._backward)]
        for value in (self._asked, round(self.rate), *self._ramp):
            values += [value >> 16, value & 0xFFFF]
        register = 16 + 16 * self._pump
        self._phase, self._stands = "sending", False
        self._transaction = self._link.line.write(self._link.device, register, values, timeout_s=TIMEOUT_S)

    def _failed(self, error: DriverError) -> None:
        """Ask again, the same sequence number: what was done already is not done twice.

        Raises
        ------
        DriverError
            The last of `TRIES`, or a gone port.
        """
        self._failures += 1
        if self._failures >= TRIES or isinstance(error, DeviceUnavailableError):
            with suppress(DriverError):
                self.halt()
            raise error
        if self._phase == "sending":
            self._send(self._sequence)
        elif self._phase == "acknowledging":
            self._phase, self._transaction = "asking", self._link.ask()
        else:
            self._transaction = self._link.ask()

    def _bound(self, after_s: float = 0.0) -> int:
        """Return the most steps that can be done by now, or some time after it.

        Since the last report it may have turned all the time; so may, before the first, a motion whose end nobody saw.
        """
        since_s = self._link.clock.monotonic() - self._reported_s + LATE_S + after_s
        if self._phase in ("asking", "acknowledging"):
            return 0 if self._stands else int(since_s * self.rate) + 1
        return min(self._asked, self._at_most + int(since_s * self.rate) + 1)

    def _end(self, at_least: int, at_most: int) -> None:
        self._phase, self._transaction = "over", None
        self._at_least, self._at_most = at_least, at_most

    def halt(self) -> None:
        """Stop now, not waiting for the node to hear it: if it does not, its permit lapses, and that much counts."""
        if self._phase in ("idle", "over"):
            return
        unsent = self._transaction
        self._end(self._at_least, self._bound(LAPSE_S))
        self._link.line.withdraw(unsent)  # a start that waited for the line must not come after the halt
        self._link.halt(self._pump)

    def close(self) -> None:
        try:
            self.halt()
        finally:
            self._link.line.release()

    def connection(self) -> Connection:
        return self._link.line.connection()

    def _where(self) -> str:
        return f"{self._link.line.where}, pump {self._pump}"


class NodePermit:
    """The permit of one pump: frames that the guard's scans send."""

    lapse_s = LAPSE_S

    def __init__(self, link: NodeLink, pump: int) -> None:
        self._link = link
        self._pump = pump

    def kick(self) -> None:
        self._link.beat(self._pump)

    def drop(self) -> None:
        self._link.withdraw(self._pump)

    def connection(self) -> Connection:
        return self._link.line.connection()

    def close(self) -> None:
        try:
            self.drop()
        finally:
            self._link.line.release()


class NodeStirrer:
    """The node's stirrer."""

    def __init__(self, link: NodeLink) -> None:
        self._link = link

    def set_speed(self, fraction: float) -> None:
        if not 0.0 <= fraction <= 1.0:
            raise MisuseError(f"{fraction} is not a share of full speed", where="stirrer", remedy="Give 0 to 1")
        line = self._link.line
        say = line.write_now if fraction > 0.0 else line.stop_now
        say(self._link.device, STIRRER, [round(1000 * fraction)])

    def connection(self) -> Connection:
        return self._link.line.connection()

    def close(self) -> None:
        try:
            self.set_speed(0.0)
        finally:
            self._link.line.release()


def _link(config: Config | StirrerConfig, wires: Wires) -> NodeLink:
    line = shared_line(wires, config.port, config.baud, "N")
    key = f"node:{config.port}:{config.device}"
    link = wires.shared.get(key)
    if link is None:
        link = wires.shared[key] = NodeLink(line, wires.clock, config.device)
    assert isinstance(link, NodeLink)  # noqa: S101 - the key says so
    return link


def _claim(what: str, config: Config | StirrerConfig) -> list[str]:
    return [f"node:{config.port}:{config.device}:{what}"]


PUMP = Driver(
    kind="pump",
    config=PumpConfig,
    claims=lambda config: _claim(f"pump:{config.pump}", config),
    open=lambda config, wires: NodePump(_link(config, wires), config),
    extras=("modbus",),
    buses=lambda config: uart_pins(config.port),
    rate=lambda config: float(config.steps_per_s),
)
PERMIT = Driver(
    kind="permit",
    config=Config,
    claims=lambda config: _claim(f"permit:{config.pump}", config),
    open=lambda config, wires: NodePermit(_link(config, wires), NUMBERS[config.pump]),
    extras=("modbus",),
    buses=lambda config: uart_pins(config.port),
    lapse_s=lambda config: LAPSE_S,
)
STIR = Driver(
    kind="stirrer",
    config=StirrerConfig,
    claims=lambda config: _claim("stirrer", config),
    open=lambda config, wires: NodeStirrer(_link(config, wires)),
    extras=("modbus",),
    buses=lambda config: uart_pins(config.port),
)
