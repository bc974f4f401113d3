"""Pulse trains by lgpio's own thread, fenced in against what that thread does.

Seen in lgpio 0.2.2.0 (lgPthTx.c) and held by tests/real against the library itself:

- A train that ends takes its record away. If that record is the newest and another one lives, the thread runs back in
  time, and across the turn of a second it spins for good: no pulse and no PWM level of the process changes any more.
  So no record ever ends here: an endless low entry stands behind each train, and the next train takes its place.
- `tx_pulse(..., 0, 0, 0, 0)` ends the record (the same danger), and on a line without a train it is an error. So
  nothing is cancelled: what is queued runs out, and the drive has taken its motor's current.
- `tx_pulse` with zero cycles never ends: that is the low entry, and nothing else here is endless.
- Deadlines are absolute. What the thread misses is sent back to back when it runs again. So the kernel is asked how
  long the thread has waited for a processor (`schedstat`), calls that were held up with the thread's lock are counted,
  and the thread gets real-time priority where that is permitted.
- The library's queue holds ten entries a line, the one under way and the low entry among them.
"""

import os
import resource
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from saltern.ports import Clock, DeviceSilentError, DeviceUnavailableError, MisuseError
from saltern_drivers.foreign import Foreign

LOW_US = 1000
"""The low entry's period: a train begins at the end of one."""

QUEUE = 10
DEAD_AFTER_S = 1.0
"""A thread that only runs late ends some piece in so long; one that has stopped ends none."""

LONG_CALL_S = 0.0005
ASK_ALIVE_EVERY_S = 5.0
PRIORITY = 1
SPINS_AT_MOST_US = 500_000
"""A real-time thread that runs so long without a pause is ended by the kernel, and its process with it."""

REMEDY = "Start the service again; if it happens again, read the log for what else this computer does"


@dataclass(slots=True)
class _Entry:
    pulses: int
    lasts_s: float


@dataclass(slots=True)
class _Line:
    entries: deque[_Entry] = field(default_factory=deque)  # that the library had not ended when it was last asked
    ended_pulses: int = 0
    ends_s: float = 0.0  # when all should have ended
    moved_s: float = 0.0  # when the library was last seen to end one, or had none


class PulseThread:
    """The thread of the library that sends pulses, as the kernel sees it.

    Parameters
    ----------
    threads
        The threads that the library started when it opened its first chip; none, if that was before.
    """

    def __init__(self, threads: set[int]) -> None:
        # It wakes fifty times a second even with nothing to send; the library's other thread sleeps.
        self._id = max(threads, key=_turns, default=None)
        self._preferred = False

    def prefer(self) -> bool:
        """Give it real-time priority, and return whether that was permitted."""
        if self._id is None:
            return False
        try:
            soft, hard = resource.getrlimit(resource.RLIMIT_RTTIME)
            if soft in (resource.RLIM_INFINITY, -1) or soft > SPINS_AT_MOST_US:
                resource.setrlimit(resource.RLIMIT_RTTIME, (SPINS_AT_MOST_US, hard))
            os.sched_setscheduler(self._id, os.SCHED_FIFO, os.sched_param(PRIORITY))
        except (OSError, ValueError):
            return False
        self._preferred = True
        return True

    def can_be_trusted(self) -> bool:
        """Return whether late pulses are seen, or cannot be many: the kernel counts waiting, or gives priority.

        With real-time priority at most 6 pulses came in a bunch on a loaded machine, and without it up to 15.
        """
        return self._preferred or self.waited_s() is not None

    def waited_s(self) -> float | None:
        """Return how long it has waited for a processor since it began; None where the kernel does not count that."""
        waited_ns = None if self._id is None else _waited_ns(self._id)
        return None if waited_ns is None else waited_ns * 1e-9


def threads() -> set[int]:
    """Return the threads of this process."""
    return {int(name) for name in os.listdir("/proc/self/task")}


def _waited_ns(thread: int) -> int | None:
    """Return how long a thread has stood in a processor's queue (the kernel's Documentation/scheduler/sched-stats)."""
    try:
        _, waited, _ = Path(f"/proc/self/task/{thread}/schedstat").read_text(encoding="ascii").split()
    except (OSError, ValueError):
        return None
    return int(waited)


def _turns(thread: int) -> int:
    """Return how often a thread has gone to sleep of itself (proc(5), voluntary_ctxt_switches)."""
    try:
        lines = Path(f"/proc/self/task/{thread}/status").read_text(encoding="ascii", errors="replace").splitlines()
    except OSError:
        return 0
    return sum(int(line.split()[1]) for line in lines if line.startswith("voluntary_ctxt_switches"))


class LgpioPulseTrains:
    """Pulse trains timed by lgpio.

    Parameters
    ----------
    lgpio
        The module.
    handle
        Of the open chip.
    clock
        Monotonic time.
    thread
        What sends the pulses.
    """

    def __init__(self, lgpio: Any, handle: int, clock: Clock, thread: PulseThread) -> None:
        self._lgpio = lgpio
        self._handle = handle
        self._clock = clock
        self._thread = thread
        self._lines: dict[int, _Line] = {}
        self._asked_alive_s = clock.monotonic()
        self._alive = True
        self._locked_s = 0.0  # in calls that were held up, and the pulse thread with them

    def prepare(self, line: int) -> None:
        """Take up a line.

        Raises
        ------
        DeviceUnavailableError
            Late pulses could not be seen here, so no count of steps could be vouched for.
        """
        if not self._thread.can_be_trusted():
            raise DeviceUnavailableError(
                "late pulses cannot be seen here: the kernel does not count waiting, and permits no real-time priority",
                where=f"GPIO {line}",
                remedy="Start the service by its unit, which permits the priority, or drive the pump by the pump node",
            )
        self._lines[line] = _Line()
        self._low(line)

    def queue(self, line: int, pulses: int, on_us: int, off_us: int) -> None:
        if pulses < 1:
            raise MisuseError(
                "a train of no pulses would never end", where=f"GPIO {line}", remedy="Ask for at least one"
            )
        self._append(line, pulses, pulses * (on_us + off_us) * 1e-6, on_us, off_us, pulses)

    def pause(self, line: int, duration_us: int) -> None:
        self._append(line, 0, duration_us * 1e-6, 0, max(duration_us, LOW_US), 1)

    def _append(self, line: int, pulses: int, lasts_s: float, on_us: int, off_us: int, cycles: int) -> None:
        if self.room(line) < 1:
            raise MisuseError("the queue of pulses is full", where=f"GPIO {line}", remedy="Queue less at a time")
        known = self._lines[line]
        self._ask(line, self._lgpio.tx_pulse, on_us, off_us, 0, cycles)
        self._low(line)
        now_s = self._clock.monotonic()
        if not known.entries:
            known.moved_s = now_s
        known.ends_s = max(known.ends_s, now_s) + lasts_s
        known.entries.append(_Entry(pulses, lasts_s))

    def _low(self, line: int) -> None:
        self._ask(line, self._lgpio.tx_pulse, 0, LOW_US, 0, 0)

    def room(self, line: int) -> int:
        return QUEUE - 2 - len(self._unended(line).entries)

    def ends_in_s(self, line: int) -> float:
        return max(0.0, self._lines[line].ends_s - self._clock.monotonic())

    def busy(self, line: int) -> bool:
        known = self._unended(line)
        if known.entries and self._clock.monotonic() - known.moved_s > known.entries[0].lasts_s + DEAD_AFTER_S:
            self._alive = False
            raise DeviceSilentError(
                "pulses that should have been sent are not: the thread that sends them has stopped",
                where=f"GPIO {line}",
                remedy=REMEDY,
            )
        return bool(known.entries)

    def sent(self, line: int) -> tuple[int, int]:
        known = self._unended(line)
        return known.ended_pulses, known.ended_pulses + (known.entries[0].pulses if known.entries else 0)

    def lateness_s(self) -> float | None:
        waited_s = self._thread.waited_s()
        return None if waited_s is None else waited_s + self._locked_s

    def alive(self) -> bool:
        """Return whether the thread still sends; asked at every scan. If it does not, only a new process helps."""
        now_s = self._clock.monotonic()
        if self._lines and now_s - self._asked_alive_s > ASK_ALIVE_EVERY_S:
            self._asked_alive_s = now_s
            for line in list(self._lines):
                try:
                    if not self.busy(line):  # at rest a short pause is queued, and looked for the next time
                        self.pause(line, LOW_US)
                        break
                except DeviceSilentError:
                    break
        return self._alive

    def _unended(self, line: int) -> _Line:
        """Forget the entries that the library has ended: it holds the others, and the low one behind them."""
        known = self._lines[line]
        held = QUEUE - self._ask(line, self._lgpio.tx_room, self._lgpio.TX_PWM) - 1
        while len(known.entries) > max(0, held):
            known.ended_pulses += known.entries.popleft().pulses
            known.moved_s = self._clock.monotonic()
        return known

    def _ask(self, line: int, call: Callable[..., int], *words: int) -> int:
        """Call the library. It takes the pulse thread's lock: a call that is held up holds that thread up too."""
        began_s = self._clock.monotonic()
        with Foreign(f"GPIO {line}", REMEDY):
            answer = call(self._handle, line, *words)
        took_s = self._clock.monotonic() - began_s
        if took_s > LONG_CALL_S:
            self._locked_s += took_s
        return answer
