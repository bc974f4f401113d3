"""A pump board on Modbus RTU, by a register map in the bench file: counted motions that the board itself ends.

The board is sent how many steps to turn, then a start; it counts them, stops by itself and says both. A start whose
answer was lost is not given again before the board's own count has shown that nothing began. Wiring: wires A and B, a
ground, 120 ohm at both ends; the motor's supply through a run permit of its own, pull-downs on the board's outputs.
Example::

    [pumps.sample.drive]
    driver = "modbus-pump"
    port = "/dev/serial/by-id/usb-your-converter"
    device = 4
    steps_per_s = 1200
    amount = { address = 16, type = "uint32" }
    start = { address = 18, value = 1 }
    stop = { address = 18, value = 0 }
    running = { address = 2, kind = "input", mask = 1 }
    done = { address = 4, kind = "input", type = "uint32", counts = "ever" }
    [pumps.sample.permit]
    driver = "gpio-run-permit"
    pin = 12

Where writing the amount starts the motion, leave `start` out. `speed` is written before every motion, so that a board
that has lost its supply does not turn at a rate of its own. A "step" is whatever the board counts.

Limits: only boards that count and end a motion by themselves; registers are written by function 16. A board's own
communications time-out is no run permit, for the driver's questions feed it: `saltern check` wants a permit in the
supply. Beside probes on one line a halt may be garbled; the permit stops the pump then. A count that begins anew with
each motion cannot distinguish an unanswered start from none: prefer one that never does.
"""

from collections import deque
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
from saltern_drivers.modbus_registers import Register

TRIES = 3
LONGEST_S = 120.0
NEAR = 16
"""Registers that `running` and `done` may lie apart and still be read together: half the time to hear of an end."""

FASTER = 1.2
"""Beyond this share of its configured rate a board is not what the bench file says."""

FASTER_S = 0.2
MAP = "Check the register map against the board's manual"


class Command(BaseModel):
    """A value that does something when it is written."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    address: int = Field(ge=0, le=65535)
    value: int = Field(ge=0, le=65535)


class Flag(BaseModel):
    """Bits that are set while the pump turns."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    address: int = Field(ge=0, le=65535)
    kind: Literal["input", "holding"] = "holding"
    mask: int = Field(default=0xFFFF, ge=1, le=0xFFFF)
    turning_when: Literal["set", "clear"] = "set"


class Counter(Register):
    """What the board counts: steps since it started this motion, all steps ever, or a position that runs both ways."""

    counts: Literal["since-start", "ever", "position"] = "since-start"


class Ways(BaseModel):
    """The register of the direction, and its two values."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    address: int = Field(ge=0, le=65535)
    forward: int = Field(ge=0, le=65535)
    reverse: int = Field(ge=0, le=65535)


class Config(BaseModel):
    """A pump board by its registers."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    port: str = Field(min_length=1)
    baud: int = Field(default=9600, ge=1200, le=1_000_000)
    parity: Literal["N", "E", "O"] = "N"
    device: int = Field(ge=1, le=247, description="its number on the line")
    steps_per_s: float = Field(gt=0, le=100_000)
    amount: Register
    running: Flag
    done: Counter
    stop: Command
    start: Command | None = None
    speed: Command | None = None
    direction: Ways | None = None
    timeout_s: float = Field(default=0.3, gt=0.02, le=2)

    @model_validator(mode="after")
    def _writable(self) -> "Config":
        if self.amount.kind != "holding":
            msg = "amount must be a holding register: it is written"
            raise ValueError(msg)
        return self


class ModbusPump:
    """A pump head of such a board. All waiting is done by being polled."""

    unit: Literal["s", "steps"] = "steps"

    def __init__(self, line: ModbusLine, clock: Clock, config: Config) -> None:
        self._line = line
        self._clock = clock
        self._config = config
        self.rate = config.steps_per_s
        self.reversible = config.direction is not None
        self.longest = float(min(config.amount.most, config.done.most, int(LONGEST_S * self.rate)))
        self._spans = _spans(config.running, config.done)
        self._phase = "over"  # looking, setting, starting, turning; over
        self._transaction: Transaction | None = None
        self._to_write: deque[tuple[int, list[int]]] = deque()
        self._asked = self._count_before = 0
        self._backward = self._start_answered = self._stop_unconfirmed = False
        self._words: list[list[int]] = []  # of the spans read so far
        self._failures = self._starts = self._at_least = self._at_most = 0
        self._unheard: DriverError | None = None
        self._started_s = self._reported_s = 0.0

    def start(self, amount: float, direction: Direction = Direction.FORWARD) -> None:
        if self._phase != "over":
            raise MisuseError("a motion is under way", where=self._where, remedy="Wait for it, or halt it")
        if not 0.0 < amount <= self.longest or round(amount) < 1:
            raise MisuseError(
                f"{amount:g} steps are not between 1 and {self.longest:g}", where=self._where, remedy="Ask for less"
            )
        if direction is Direction.REVERSE and not self.reversible:
            raise MisuseError("this head turns one way", where=self._where, remedy="Say its direction register")
        self._asked, self._backward = round(amount), direction is Direction.REVERSE
        self._at_least = self._at_most = self._failures = self._starts = 0
        self._start_answered = False
        config, self._to_write = self._config, deque()
        if config.speed is not None:
            self._to_write.append((config.speed.address, [config.speed.value]))
        if config.direction is not None:
            way = config.direction.reverse if self._backward else config.direction.forward
            self._to_write.append((config.direction.address, [way]))
        self._to_write.append((config.amount.address, config.amount.words(self._asked)))
        if config.start is not None:
            self._to_write.append((config.start.address, [config.start.value]))
        self._look("looking")

    def progress(self) -> Progress:
        if self._phase == "over":
            self._confirm_stop()
            return Progress(False, float(self._at_least), float(self._at_most))
        self._line.serve()
        transaction = self._transaction
        if transaction is not None and transaction.done:
            self._transaction = None
            if transaction.error is not None:
                self._failed(transaction.error)
            else:
                self._failures = 0
                self._take_up(transaction)
        running = self._phase != "over"
        return Progress(running, float(self._at_least), float(self._bound() if running else self._at_most))

    def halt(self) -> None:
        if self._phase == "over":
            return
        unsent = self._transaction
        self._end(self._at_least, self._bound())
        self._line.withdraw(unsent)  # a start that waited for the line must not come after the stop
        self._stop_unconfirmed = True
        self._line.stop_now(self._config.device, self._config.stop.address, [self._config.stop.value])

    def connection(self) -> Connection:
        return self._line.connection()

    def close(self) -> None:
        try:
            self.halt()
        finally:
            self._line.release()

    # One question after the other -----------------------------------------------------

    def _look(self, phase: str) -> None:
        """Ask whether it turns, and how far it has come."""
        self._phase, self._words = phase, []
        self._read_next()

    def _read_next(self) -> None:
        kind, address, count = self._spans[len(self._words)]
        config = self._config
        self._transaction = self._line.read(
            config.device, address, count, holding=kind == "holding", timeout_s=config.timeout_s
        )

    def _write_next(self) -> None:
        """Write what comes before the start, then what starts it."""
        address, words = self._to_write[0]
        self._phase = "setting" if len(self._to_write) > 1 else "starting"
        if self._phase == "starting":
            self._starts += 1
            if self._starts == 1:  # one that is not answered may have been heard
                self._started_s = self._reported_s = self._clock.monotonic()
        self._transaction = self._line.write(self._config.device, address, words, timeout_s=self._config.timeout_s)

    def _take_up(self, transaction: Transaction) -> None:
        """Take up an answer, and ask what comes after it."""
        match self._phase:
            case "setting":
                self._to_write.popleft()
                self._write_next()
            case "starting":
                self._start_answered = True
                self._look("turning")
            case _:
                self._heard(transaction)

    def _heard(self, transaction: Transaction) -> None:
        """Take up registers; when all that were wanted are there, what they say."""
        kind, address, count = self._spans[len(self._words)]
        words = transaction.registers or []
        if len(words) != count:
            self.halt()
            raise self._trouble(f"{len(words)} registers came from {kind} {address} instead of {count}", MAP)
        self._words.append(words)
        if len(self._words) < len(self._spans):
            self._read_next()
            return
        flag, done = self._config.running, self._config.done
        (bits,) = self._words_at(flag.kind, flag.address, 1)
        turns = bool(bits & flag.mask) is (flag.turning_when == "set")
        counter = done.number(self._words_at(done.kind, done.address, done.count))
        if self._phase == "turning":
            self._reported(counter, transaction.sent_s or self._reported_s, turns=turns)
        elif turns:
            self.halt()
            raise self._trouble("the board turns its pump without a command", "Check its wiring and its inputs")
        else:
            self._count_before = counter
            self._write_next()

    def _words_at(self, kind: str, address: int, count: int) -> list[int]:
        """Return what was read there just now."""
        for (of, first, length), words in zip(self._spans, self._words, strict=True):
            if of == kind and first <= address and address + count <= first + length:
                return words[address - first :][:count]
        raise MisuseError(f"{kind} {address} was not read", where=self._where, remedy="Report it")

    def _reported(self, counter: int, asked_s: float, *, turns: bool) -> None:
        """Take up what the board says of this motion: go on, be over, or find that nothing has begun."""
        steps = self._steps(counter)
        if not turns and not self._start_answered and steps == self._steps(self._count_before):
            self._not_begun()
            return
        self._start_answered = True
        if steps > self._asked:
            self._at_least = steps
            self.halt()
            raise self._trouble(f"the board counts {steps} steps of {self._asked} asked", MAP)
        self._at_least, self._reported_s = steps, asked_s
        if not turns:
            self._end(steps, steps)
            return
        since_s = self._clock.monotonic() - self._started_s
        if steps > FASTER * self.rate * since_s + FASTER_S * self.rate + 1:
            self.halt()
            raise self._trouble(
                f"the board has turned {steps} steps in {since_s:.1f} s, {self.rate:g} a second are configured",
                "Set steps_per_s, or `speed`, as the board turns",
            )
        self._look("turning")

    def _steps(self, counter: int) -> int:
        """Return the steps of this motion that a count means; one that never begins anew wraps round."""
        done = self._config.done
        if done.counts == "since-start":
            return counter
        falls = self._backward and done.counts == "position"
        return (self._count_before - counter if falls else counter - self._count_before) % (1 << 16 * done.count)

    def _not_begun(self) -> None:
        """The board stands, and its count has not moved since before an unanswered start."""
        if self._config.done.counts == "since-start":
            self._end(0, self._asked)
            raise self._trouble(
                "the start was not answered, and the count does not show whether it was heard", "Empty the vessel first"
            )
        if self._starts >= TRIES and self._unheard is not None:
            self._end(0, 0)
            raise self._unheard
        self._write_next()

    def _failed(self, error: DriverError) -> None:
        """Ask again; an unanswered start is first looked into.

        Raises
        ------
        DriverError
            The last of `TRIES`, or a gone port.
        """
        self._failures += 1
        if self._failures >= TRIES or isinstance(error, DeviceUnavailableError):
            self.halt()
            raise error
        match self._phase:
            case "setting":
                self._write_next()
            case "starting":
                self._unheard = error
                self._look("turning")
            case phase:
                self._look(phase)

    # What is known ------------------------------------------------------------------------

    def _bound(self) -> int:
        """Return the most steps that can be done by now: since its last report it may have turned all the time."""
        if self._phase in ("looking", "setting"):
            return 0
        since_s = self._clock.monotonic() - self._reported_s
        return min(self._asked, self._at_least + int(FASTER * since_s * self.rate) + 1)

    def _end(self, at_least: int, at_most: int) -> None:
        self._phase, self._transaction = "over", None
        self._at_least, self._at_most = at_least, max(at_least, at_most)

    def _confirm_stop(self) -> None:
        """Say stop once more in the line's own turn: what was said at once may have met another's answer."""
        if self._stop_unconfirmed:
            self._stop_unconfirmed = False
            stop = self._config.stop
            self._line.write(self._config.device, stop.address, [stop.value], timeout_s=self._config.timeout_s)

    @property
    def _where(self) -> str:
        return f"{self._line.where}, device {self._config.device}"

    def _trouble(self, what: str, remedy: str) -> DriverError:
        return DriverError(what, where=self._where, remedy=remedy)


def _spans(running: Flag, done: Counter) -> list[tuple[str, int, int]]:
    """Return what must be read to know both, as (kind, first register, count): the flag first, if not together."""
    first = min(running.address, done.address)
    count = max(running.address + 1, done.address + done.count) - first
    if running.kind == done.kind and count <= NEAR:
        return [(running.kind, first, count)]
    return [(running.kind, running.address, 1), (done.kind, done.address, done.count)]


def open_pump(config: Config, wires: Wires) -> ModbusPump:
    return ModbusPump(shared_line(wires, config.port, config.baud, config.parity), wires.clock, config)


DRIVER = Driver(
    kind="pump",
    config=Config,
    claims=lambda config: [f"modbus:{config.port}:{config.device}:pump:{config.amount.address}"],
    open=open_pump,
    extras=("modbus",),
    buses=lambda config: uart_pins(config.port),
    rate=lambda config: config.steps_per_s,
)
