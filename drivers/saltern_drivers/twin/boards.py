"""The measuring boards at the other end of the serial line: `twin://ph`, `twin://conductivity`, `twin://temperature`.

Each answers a query line after its conversion time, as text, in the unit the bench file expects, and does to the
conductivity what its own temperature compensation does. A cable that was pulled, and a board that got another name,
leave an open handle dead for good; it raises what pyserial 3.5 raises on Linux (seen on a pty whose other end closed).
"""

import errno
import termios
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from math import log
from typing import Any

from serial import SerialException

from saltern.ports import Clock, DriverError
from saltern_drivers.twin.electrode import GAS_OVER_FARADAY_MV
from saltern_drivers.twin.world import World

CONVERSION_S = 0.3
FIRST_LINE = b"started 2.14"
"""What a board says by itself when it is up: a word and its version (an assumption: boards differ)."""
PSS78_R_T = (0.6766097, 2.00564e-2, 1.104259e-4, -6.9698e-7, 1.0031e-9)
"""C(35, t) / C(35, 15): Fofonoff & Millard 1983, UNESCO Tech. Pap. Mar. Sci. 44; t on IPTS-68."""


def _as_sent(sent: bytes) -> bytes:
    return sent


@dataclass
class Cable:
    """What lies between a port's name and its board, whoever has it open."""

    silent: bool = False
    late_s: float = 0.0
    garble: Callable[[bytes], bytes] = _as_sent
    absent: bool = False  # the name leads nowhere
    pulls: int = 0  # how often it was pulled: a handle is of the cable as it was when it was opened
    boots: int = 0  # how often its board began anew
    booted_s: float = 0.0  # when its board hears again

    def pull(self) -> None:
        """Invalidate every open handle. The name opens the board again as soon as the cable is not `absent`."""
        self.pulls += 1


class BoardPort:
    """The part of a pyserial port that drivers use; `timeout` is 0."""

    def __init__(self, clock: Clock, cable: Cable, answer: Callable[[], str], terminator: bytes) -> None:
        self._clock = clock
        self._cable = cable
        self._opened_at_pull = cable.pulls
        self._seen_boots = cable.boots
        self._answer = answer
        self._terminator = terminator
        self._asked = bytearray()
        self._due: deque[tuple[float, bytes]] = deque()
        self._ready = bytearray()

    @property
    def in_waiting(self) -> int:
        if self._gone:
            raise OSError(errno.EIO, "Input/output error")
        self._begin_anew()
        while self._due and self._due[0][0] <= self._clock.monotonic():
            self._ready += self._due.popleft()[1]
        return len(self._ready)

    def read(self, size: int = 1) -> bytes:
        if self._gone:
            raise SerialException(
                "device reports readiness to read but returned no data "
                "(device disconnected or multiple access on port?)"
            )
        part = bytes(self._ready[:size])
        del self._ready[:size]
        return part

    def write(self, data: bytes, /) -> int:
        if self._gone:
            raise SerialException("write failed: [Errno 5] Input/output error")
        self._begin_anew()
        if self._clock.monotonic() < self._cable.booted_s:
            return len(data)
        self._asked += data
        while (end := self._asked.find(self._terminator)) >= 0:
            del self._asked[: end + len(self._terminator)]
            if not self._cable.silent:
                due_s = self._clock.monotonic() + CONVERSION_S + self._cable.late_s
                self._due.append((due_s, self._cable.garble(self._answer().encode() + self._terminator)))
        return len(data)

    def _begin_anew(self) -> None:
        """Where the board has begun anew: it forgot what it was asked, and says its first line when it is up."""
        if self._seen_boots != self._cable.boots:
            self._seen_boots = self._cable.boots
            self._asked.clear()
            self._due.clear()
            self._due.append((self._cable.booted_s, self._cable.garble(FIRST_LINE + self._terminator)))

    def reset_input_buffer(self) -> None:
        if self._gone:
            raise termios.error(errno.EIO, "Input/output error")
        self._begin_anew()
        self._ready.clear()
        while self._due and self._due[0][0] <= self._clock.monotonic():
            self._due.popleft()

    def close(self) -> None:
        self._due.clear()
        self._ready.clear()

    @property
    def _gone(self) -> bool:
        return self._cable.absent or self._cable.pulls != self._opened_at_pull


class Boards:
    """The three boards of a bench."""

    def __init__(self, world: World, clock: Clock) -> None:
        self._world = world
        self._clock = clock
        self._answers = {"ph": self._ph, "conductivity": self._conductivity, "temperature": self._temperature}
        self.cables = {role: Cable() for role in self._answers}
        self.ph_seen: list[tuple[float, float, float]] = []
        """(monotonic s, true total pH, true salinity) at each answer of the pH board while its probe was wet."""

    def open(self, port: str, **settings: Any) -> BoardPort:
        """Open a `twin://` port; `settings` are pyserial's and mean nothing here.

        Raises
        ------
        DriverError
            The twin never has such a port.
        SerialException
            It is not there now.
        """
        del settings
        role = port.removeprefix("twin://")
        if not port.startswith("twin://") or role not in self._answers:
            raise DriverError(
                "the twin has the ports twin://ph, twin://conductivity and twin://temperature",
                where=port,
                remedy='Use one of them, or set wires = "gpio"',
            )
        if self.cables[role].absent:
            raise SerialException(errno.ENOENT, f"could not open port {port}: [Errno 2] No such file or directory")
        terminator = self._world.bench["probes"][role]["board"].get("terminator", "\r").encode()
        return BoardPort(self._clock, self.cables[role], self._answers[role], terminator)

    def reboot(self, takes_s: float) -> None:
        """Let every board begin anew, deaf and silent for so long."""
        for cable in self.cables.values():
            cable.boots += 1
            cable.booted_s = self._clock.monotonic() + takes_s

    def _ph(self) -> str:
        world, now_s = self._world, self._clock.monotonic()
        world.advance(now_s)
        if world.electrode.wet:
            self.ph_seen.append((now_s, world.ph_total(), world.salinity()))
            if len(self.ph_seen) > 200_000:
                del self.ph_seen[:100_000]
        step = world.truths.errors.resolution_mv
        signal = round(world.ph_signal_mv() / step) * step
        board = world.bench["probes"]["ph"]["board"]
        if board.get("unit", "mV") == "mV":
            return f"{signal:.3f}"
        probe = world.bench["probes"]["ph"]
        per_ph = GAS_OVER_FARADAY_MV * 298.15 * log(10.0) * probe["slope_percent"] / 100.0
        return f"{7.0 - (signal - probe['e7_mv']) / per_ph:.4f}"

    def _conductivity(self) -> str:
        world = self._world
        world.advance(self._clock.monotonic())
        true = world.conductivity()
        t = world.temperature_c if world.beaker is None else world.beaker.temperature_c
        table = world.bench["probes"]["conductivity"]["compensation"]
        if table["kind"] == "linear":
            true /= 1.0 + table["alpha_percent_per_k"] / 100.0 * (t - table["reference_c"])
        elif table["kind"] == "nonlinear":
            true *= _r_t(25.0) / _r_t(t)
        if world.bench["probes"]["conductivity"]["board"].get("unit", "mS/cm") == "uS/cm":
            return f"{true * 1000.0:.1f}"
        return f"{true:.3f}"

    def _temperature(self) -> str:
        self._world.advance(self._clock.monotonic())
        return f"{self._world.temperature_reading():.2f}"


def _r_t(t90_c: float) -> float:
    t = 1.00024 * t90_c
    return sum(c * t**i for i, c in enumerate(PSS78_R_T))
