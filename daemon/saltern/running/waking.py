"""Waking the service. Whether a determination is due is `schedule`'s word; a waker only asks it to look.

In real time that is APScheduler's work. Virtual and paced time have a waker of their own, since APScheduler knows
only the machine's clock.
"""

from collections.abc import Callable
from typing import Protocol

from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.interval import IntervalTrigger

from saltern.ports import Clock

LOOK_EVERY_S = 60.0


class Waker(Protocol):
    """Calls `look` at once and then every minute, until stopped."""

    def stop(self) -> None: ...


class RealTimeWaker:
    """One coarse job in UTC, coalesced and without a grace time.

    APScheduler's own notion of what was missed is never relied on: with a stepped clock it would run a backlog, or
    nothing at all for as long as the clock went back. What it misses, the next look finds.
    """

    def __init__(self, look: Callable[[], None], every_s: float = LOOK_EVERY_S) -> None:
        self._scheduler = BackgroundScheduler(timezone="UTC")
        self._scheduler.add_job(
            look,
            IntervalTrigger(seconds=every_s, timezone="UTC"),
            coalesce=True,
            max_instances=1,
            misfire_grace_time=None,
        )
        look()
        self._scheduler.start()

    def stop(self) -> None:
        self._scheduler.shutdown(wait=False)


class ClockWaker:
    """Looks by the injected clock, so that simulated time wakes as real time does."""

    def __init__(self, look: Callable[[], None], clock: Clock, every_s: float = LOOK_EVERY_S) -> None:
        self._look = look
        self._clock = clock
        self._every_s = every_s
        self._stopped = False
        self._wake()

    def stop(self) -> None:
        self._stopped = True

    def _wake(self) -> None:
        if not self._stopped:
            self._look()
            self._clock.call_later(self._every_s, self._wake)
