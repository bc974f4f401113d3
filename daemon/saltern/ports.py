"""What a driver implements, and what it is given to work with.

This module imports nothing of ours. Drivers import it and nothing else of the
service, so that a driver can be written, tested and shipped without it.

Every amount a drive counts is in its *native unit*: seconds for a timed drive,
steps for a counted one. Millilitres begin at the bench, where calibrations are.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import Enum
from typing import TYPE_CHECKING, Any, Literal, Protocol, runtime_checkable

if TYPE_CHECKING:  # a command that only asks a service needs none of it
    from concurrent.futures import Future

    from pydantic import BaseModel

# Errors ---------------------------------------------------------------------


class SalternError(Exception):
    """Base of every error that Saltern raises on purpose.

    Parameters
    ----------
    what : str
        What happened, in a keeper's words.
    where : str
        The device, file, line or procedure it happened in.
    remedy : str
        What to do next.
    """

    def __init__(self, what: str, *, where: str, remedy: str) -> None:
        super().__init__(f"{where}: {what}. {remedy}")
        self.what = what
        self.where = where
        self.remedy = remedy


class DriverError(SalternError):
    """A device could not do what it was asked."""


class DeviceUnavailableError(DriverError, OSError):
    """The device is absent, busy or not permitted; it may be there the next time."""


class LinesBusyError(DriverError, OSError):
    """Output lines are held by a process that has not let them go."""


class DeviceSilentError(DriverError, TimeoutError):
    """The device did not answer within its own time-out."""


class ReplyError(DriverError, ValueError):
    """The device answered something that is not a reading."""


class MisuseError(DriverError, ValueError):
    """The caller asked for something the device does not do: a fault of the program."""


# Time -----------------------------------------------------------------------


class Timer(Protocol):
    """A call that will be made once, unless cancelled first."""

    def cancel(self) -> None: ...


class Clock(Protocol):
    """Time, injected. Durations are monotonic; wall time is a label."""

    def monotonic(self) -> float:
        """Return seconds that never step, from an arbitrary zero."""
        ...

    def now(self) -> datetime:
        """Return the wall time, aware and in UTC. It may step at any moment."""
        ...

    def sleep(self, seconds: float) -> None:
        """Let time pass. Called from the control thread only, and only by the bench."""
        ...

    def call_later(self, delay_s: float, action: Callable[[], None]) -> Timer:
        """Arm `action`; it runs in a foreign thread on a real clock, so it must be short and safe there."""
        ...


# Readings -------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Reading:
    """One value as the board reported it: not corrected, not converted."""

    value: float
    unit: str
    at_s: float  # monotonic


@runtime_checkable
class Probe(Protocol):
    """A measuring board. Nothing here blocks: bytes are moved, never awaited."""

    unit: str  # the unit of `Reading.value`: "mV", "pH", "mS/cm", "uS/cm", "degC", "g", "mA", "rpm"

    def request(self) -> None:
        """Ask for a reading made from now on; harmless while one is under way.

        One that nobody has fetched in its time is forgotten: its answer is nobody's.
        """
        ...

    def poll(self) -> Reading | None:
        """Return a reading completed since the last call, if any.

        Raises
        ------
        DeviceSilentError
            Nothing has come within the board's time-out since the request.
        ReplyError
            Something came that is not a reading.
        DeviceUnavailableError
            The port is gone.
        """
        ...

    def close(self) -> None: ...


@runtime_checkable
class Compensated(Protocol):
    """A probe whose board may want the liquid's temperature, and compensates by that."""

    wants_temperature: bool

    def compensate(self, celsius: float) -> None:
        """Send it to the board; what is read after it is compensated by that temperature."""
        ...


# Ports that come and go -------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Connection:
    """How a device is reached now."""

    where: str  # the port, bus or file; devices on one line have the same
    up: bool
    returns: int  # how often it has come back, after it was lost or had not been there
    trouble: str  # what is wrong; empty while it is up
    remedy: str


@runtime_checkable
class Reconnecting(Protocol):
    """A device behind a port that may go and come back by itself; it may be absent when it is opened."""

    def connection(self) -> Connection:
        """Check whether it is there, open it again where that is due, and return how it is reached.

        Called from the control thread, at rest as well; it finds by itself that a device is back. Never raises, never
        waits.
        """
        ...


# Motion ---------------------------------------------------------------------


class Direction(Enum):
    FORWARD = "forward"
    REVERSE = "reverse"


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a motion has come, in native units: an interval, because a halt can leave a chunk unknown."""

    running: bool
    at_least: float
    at_most: float
    doubt: str = ""  # why the drive does not vouch for all that it sent, for a person


@runtime_checkable
class PumpDrive(Protocol):
    """A pump head that moves a stated amount and ends by itself. There is no `on()`."""

    unit: Literal["s", "steps"]
    rate: float  # native units a second while running (1.0 for a timed drive)
    reversible: bool
    longest: float  # the largest amount that one start accepts

    def start(self, amount: float, direction: Direction = Direction.FORWARD) -> None:
        """Begin one bounded motion; its end is armed before the pump turns.

        Raises
        ------
        MisuseError
            Running already, `amount` not in (0, longest], or reverse on a one-way head.
        """
        ...

    def progress(self) -> Progress:
        """Return how far the last motion has come; a counted drive tops up its queue here. Called every scan.

        After a halt it answers from what is known, without the wire.
        """
        ...

    def halt(self) -> None:
        """Stop now. Idempotent, safe in any thread."""
        ...

    def close(self) -> None: ...


@runtime_checkable
class RunPermit(Protocol):
    """The supply of one pump, held on only by being kicked; it lapses by itself."""

    lapse_s: float

    def kick(self) -> None:
        """Hold the supply for another `lapse_s`."""
        ...

    def drop(self) -> None:
        """Kick no more, and cut at once where the hardware can. Idempotent, safe in any thread."""
        ...

    def close(self) -> None: ...


@runtime_checkable
class Stirrer(Protocol):
    def set_speed(self, fraction: float) -> None:
        """Turn at `fraction` (0 to 1) of full speed; 0 stops."""
        ...

    def close(self) -> None: ...


@runtime_checkable
class Selector(Protocol):
    """Chooses between two lines; without current, the usual one."""

    def select(self, other: bool) -> None:
        """Let the other line through, or the usual one again. Idempotent."""
        ...

    def close(self) -> None: ...


@runtime_checkable
class Switch(Protocol):
    """A two-state input, wired normally closed: an open circuit, a broken wire included, is active."""

    def is_active(self) -> bool:
        """Return the debounced state."""
        ...

    def watch(self, on_active: Callable[[], None]) -> None:
        """Call `on_active` once the input has gone active and stayed so for the debounce time.

        The call comes from a foreign thread on real hardware, within 250 ms of the edge.
        """
        ...

    def close(self) -> None: ...


# What a driver is given, and what it declares --------------------------------


class SerialPort(Protocol):
    """The part of pyserial's `Serial` that drivers use, opened with `timeout=0`."""

    @property
    def in_waiting(self) -> int: ...
    def read(self, size: int = 1) -> bytes: ...
    def write(self, data: bytes, /) -> int | None: ...
    def reset_input_buffer(self) -> None: ...
    def close(self) -> None: ...


class I2cBus(Protocol):
    """The part of smbus2's `SMBus` that drivers use; one transfer takes less than a millisecond."""

    def read_i2c_block_data(self, i2c_addr: int, register: int, length: int) -> list[int]: ...
    def write_i2c_block_data(self, i2c_addr: int, register: int, data: list[int]) -> None: ...
    def close(self) -> None: ...


class PulseTrains(Protocol):
    """Pulse trains on GPIO lines: the kernel or a library times them, not Python.

    Nothing that is queued can be taken back. A drive queues little at a time and takes its motor's current instead.
    """

    def prepare(self, line: int) -> None:
        """Make a line ready for trains. It is low from now on, between trains too."""
        ...

    def queue(self, line: int, pulses: int, on_us: int, off_us: int) -> None:
        """Append `pulses` (at least 1) to the line's queue; they begin when those before them end."""
        ...

    def pause(self, line: int, duration_us: int) -> None:
        """Append a time without pulses."""
        ...

    def room(self, line: int) -> int:
        """Return how many more trains or pauses the line's queue accepts."""
        ...

    def ends_in_s(self, line: int) -> float:
        """Return how long what is queued lasts from now on if nothing is late; 0 once it should have ended."""
        ...

    def busy(self, line: int) -> bool:
        """Return whether anything queued has not ended.

        Raises
        ------
        DeviceSilentError
            It should have ended long ago: whatever times the pulses has stopped.
        """
        ...

    def sent(self, line: int) -> tuple[int, int]:
        """Return the least and the most pulses sent since the line was prepared: read, not reckoned from a clock."""
        ...

    def lateness_s(self) -> float | None:
        """Return all the time together by which pulses have been late so far, of any line.

        Between two calls no pulse was later than what was added between them. None: it cannot be known here.
        """
        ...


def no_i2c(bus: int) -> I2cBus:
    """Say that there is none.

    Raises
    ------
    DriverError
        Always.
    """
    raise DriverError("these wires have no I2C", where=f"i2c bus {bus}", remedy="Name a driver that needs none")


def at_once(work: Callable[[], Any]) -> "Future[Any]":
    """Do something here and now, and return a future that is done."""
    from concurrent.futures import Future

    future: Future[Any] = Future()
    try:
        future.set_result(work())
    except Exception as error:  # noqa: BLE001 - it is the future's
        future.set_exception(error)
    return future


@dataclass(frozen=True)
class Wires:
    """The outside world as drivers reach it. The twin attaches here and nowhere else."""

    clock: Clock
    pins: Any  # a gpiozero pin factory
    pulses: PulseTrains
    open_serial: Callable[..., SerialPort]  # the signature of serial.serial_for_url
    close: Callable[[], None] = lambda: None
    open_i2c: Callable[[int], I2cBus] = no_i2c
    aside: Callable[[Callable[[], Any]], "Future[Any]"] = at_once  # does what may block, so that nobody waits for it
    shared: dict[str, Any] = field(default_factory=dict)  # what several devices of one bench hang on: a line, by name
    alive: Callable[[], bool] = lambda: True  # whether what the wires need in this process still runs


Device = Probe | PumpDrive | RunPermit | Stirrer | Switch | Selector


INSTALLED_EXTRAS = ("gpio", "i2c", "modbus", "mqtt", "metrics", "alerts")
"""What `make install` brings where nobody asks for other extras; a test holds it to the Makefile."""


def install_extra(extra: str) -> str:
    """Return what to type where the libraries of an extra are not installed.

    Never `pip install saltern`: whatever a public registry has under that name is not this program.
    """
    wanted = ",".join(dict.fromkeys((*INSTALLED_EXTRAS, extra)))
    return (
        f"In the folder of the source: sudo make install EXTRAS={wanted}; "
        f"for its own .venv: .venv/bin/pip install -e '.[{extra}]'"
    )


@dataclass(frozen=True)
class Driver:
    """What an entry point of the group `saltern.drivers` is.

    Parameters
    ----------
    kind
        The port that `open` answers with.
    config
        The pydantic model of the device's table in the bench file (extra keys forbidden).
    claims
        The exclusive resources a config takes, such as ``"gpio:17"`` or ``"serial:/dev/serial/by-id/..."``.
    open
        Opens the device. Outputs are inactive before it returns.
    outputs
        The GPIO lines that the device drives: what safe-off takes low when nobody else can.
    buses
        The pins of the header that belong to the bus the device hangs on, with the bus's name: devices on one bus share
        them, and no other device may claim them.
    extras
        The extras of Saltern whose libraries the driver needs, for example ``("i2c",)``.
    rate
        Of a pump, and it has no default: the native units a second at which its drive turns. What may pass before a
        stop is reckoned with it before anything is opened, so it is read off the options alone.
    lapse_s
        Of a permit, and it has no default: how long the supply lasts after the last kick, by the options alone.

    Raises
    ------
    MisuseError
        A pump does not say its rate, or a permit its lapse; or another kind says one of them.
    """

    kind: Literal["probe", "pump", "permit", "stirrer", "switch", "selector"]
    config: "type[BaseModel]"
    claims: Callable[[Any], list[str]]
    open: Callable[[Any, Wires], Any]
    outputs: Callable[[Any], list[int]] = lambda config: []
    extras: tuple[str, ...] = ()
    buses: Callable[[Any], Mapping[int, str]] = lambda config: {}
    rate: Callable[[Any], float] | None = None
    lapse_s: Callable[[Any], float] | None = None

    def __post_init__(self) -> None:
        for kind, name in (("pump", "rate"), ("permit", "lapse_s")):
            if (self.kind == kind) is not (getattr(self, name) is not None):
                raise MisuseError(
                    f"a driver of the kind {self.kind} {'must' if self.kind == kind else 'must not'} state `{name}`",
                    where=f"driver whose options are {self.config.__module__}.{self.config.__name__}",
                    remedy=f"Give `{name}` to the driver of a {kind} only: refusals are calculated with it",
                )


OpenWires = Callable[[Mapping[str, Any], Clock], Wires]
"""What an entry point of the group `saltern.wires` is: it gets the whole bench file and the clock."""
