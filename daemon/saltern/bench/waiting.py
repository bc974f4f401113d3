"""The only place where time passes. Every wait scans the guard and heeds a stop that was asked for."""

import threading

from saltern.bench.guard import Guard
from saltern.errors import SalternError
from saltern.ports import Clock

MOVING_SCAN_S = 0.1
"""Between two scans while a pump turns: five in the 0.5 s of a permit, and within the 0.25 s of an edge's deadline."""

RESTING_SCAN_S = 1.0
"""Within a procedure, pumps at rest: a tenth of the scans, and a stop still feels prompt (assumed)."""

IDLE_SCAN_S = 5.0
"""Between procedures: switches cut from their callbacks, and systemd's watchdog is fed each 5 s of its 30."""

SAME_INSTANT_S = 1e-9

POLL_S = 0.1
"""Between two looks for a board's answer; the boards take 0.3 to 1 s for one (their data sheets)."""

RESTING_POLL_S = 0.5
"""The same between procedures, where nothing waits for the answer."""


class StopRequested(SalternError):  # noqa: N818 - not an error of anybody's
    """Somebody asked for an end, and the run stops where it is."""


class Waiting:
    """Lets time pass on the control thread."""

    def __init__(self, name: str, clock: Clock, guard: Guard) -> None:
        self._name = name
        self._clock = clock
        self._guard = guard
        self._stop = threading.Event()

    def wait(self, seconds: float, scan_s: float = RESTING_SCAN_S) -> None:
        """Let time pass, pumps at rest, with no two scans further apart than `scan_s`, and one when a switch has acted.

        Raises
        ------
        StopRequested
            A stop was asked for, before or meanwhile.
        """
        now_s = self._clock.monotonic()
        end_s = now_s + seconds
        while True:
            scan_in_s = self._guard.scanned_s + scan_s - now_s
            if self._guard.due or scan_in_s <= SAME_INSTANT_S:
                self._guard.scan()
                scan_in_s = scan_s
            self.heed()
            now_s = self._clock.monotonic()
            if end_s - now_s <= SAME_INSTANT_S:
                return
            self._clock.sleep(min(scan_in_s, end_s - now_s))
            now_s = self._clock.monotonic()

    def tick(self) -> None:
        """Let the time between two scans pass while a pump turns; whoever moves it scans then, with its permit."""
        self._clock.sleep(MOVING_SCAN_S)

    def request_stop(self) -> None:
        """Ask, from any thread, that what is under way stops at the next scan."""
        self._stop.set()

    def clear_stop(self) -> None:
        self._stop.clear()

    def heed(self) -> None:
        """Stop here if somebody asked for it.

        Raises
        ------
        StopRequested
            Somebody did.
        """
        if self._stop.is_set():
            raise StopRequested("a stop was asked for", where=self._name, remedy="Start again when ready")
