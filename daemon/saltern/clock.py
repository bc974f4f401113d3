"""The clock in its three forms: real, virtual, and paced (virtual slowed to a factor of real time)."""

import heapq
import itertools
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from saltern.ports import Clock, Timer

__all__ = ["Clock", "PacedClock", "RealClock", "Timer", "VirtualClock"]


class RealClock:
    """The machine's own clocks."""

    def monotonic(self) -> float:
        return time.monotonic()

    def now(self) -> datetime:
        return datetime.now(UTC)

    def sleep(self, seconds: float) -> None:
        time.sleep(max(0.0, seconds))

    def call_later(self, delay_s: float, action: Callable[[], None]) -> Timer:
        timer = threading.Timer(delay_s, action)
        timer.daemon = True
        timer.start()
        return timer


@dataclass(order=True)
class _Armed:
    due_s: float
    order: int
    action: Callable[[], None] = field(compare=False)
    cancelled: bool = field(default=False, compare=False)

    def cancel(self) -> None:
        self.cancelled = True


class VirtualClock:
    """Time that passes only in `sleep`: armed calls run at their own instants, in order, in the sleeping thread.

    Parameters
    ----------
    start : datetime
        Wall time at monotonic zero.
    begins_s : float
        Monotonic time to begin at: later than zero where a simulated world is older than its process.
    """

    def __init__(self, start: datetime = datetime(2026, 3, 2, tzinfo=UTC), begins_s: float = 0.0) -> None:
        self._start = start
        self._now_s = begins_s
        self._wall_step = timedelta(0)
        self._armed: list[_Armed] = []
        self._order = itertools.count()
        self._observers: list[Callable[[float], None]] = []
        self._lock = threading.RLock()

    def monotonic(self) -> float:
        return self._now_s

    def now(self) -> datetime:
        return self._start + timedelta(seconds=self._now_s) + self._wall_step

    def step_wall(self, seconds: float) -> None:
        """Step the wall clock, as a time server or a keeper would; monotonic time does not notice."""
        self._wall_step += timedelta(seconds=seconds)

    def attach(self, observer: Callable[[float], None]) -> None:
        """Call `observer(monotonic_s)` each time that time has moved: the simulated world follows the clock so."""
        self._observers.append(observer)

    def sleep(self, seconds: float) -> None:
        target_s = self._now_s + max(0.0, seconds)
        while True:
            with self._lock:
                due = self._armed[0] if self._armed and self._armed[0].due_s <= target_s else None
                if due is not None:
                    heapq.heappop(self._armed)
            if due is None:
                break
            if due.cancelled:
                continue
            self._advance(due.due_s)
            due.action()
        self._advance(target_s)

    def next_call_s(self) -> float:
        """Return when the next armed call is due, monotonic; never, where none is."""
        with self._lock:
            return self._armed[0].due_s if self._armed else float("inf")

    def call_later(self, delay_s: float, action: Callable[[], None]) -> Timer:
        armed = _Armed(self._now_s + max(0.0, delay_s), next(self._order), action)
        with self._lock:
            heapq.heappush(self._armed, armed)
        return armed

    def _advance(self, to_s: float) -> None:
        if to_s > self._now_s:
            self._let_pass(to_s - self._now_s)
            self._now_s = to_s
            for observer in self._observers:
                observer(to_s)

    def _let_pass(self, seconds: float) -> None:
        """Virtual time costs nothing."""


class PacedClock(VirtualClock):
    """Virtual time slowed to `factor` times real time, for whole processes with real sockets beside them."""

    def __init__(
        self, factor: float, start: datetime = datetime(2026, 3, 2, tzinfo=UTC), begins_s: float = 0.0
    ) -> None:
        super().__init__(start, begins_s)
        self._factor = factor

    def _let_pass(self, seconds: float) -> None:
        time.sleep(seconds / self._factor)
