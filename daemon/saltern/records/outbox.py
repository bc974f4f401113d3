"""Alerts on their way: numbered in memory as they are raised, read there by outlets, kept in the records at rest.

Whoever raises an alert may be in the middle of a scan with a pump turning: nothing here waits for a disk.
"""

import threading
from collections import deque

from saltern.model.alert import Alert

MOST = 2000
"""So many of the newest are held (assumed): a disk that takes nothing costs memory a bounded amount."""

Numbered = tuple[int, Alert]


class Outbox:
    """The newest alerts of one bench, and which of them the records have.

    Parameters
    ----------
    newest
        The number of the newest alert in the records.
    """

    def __init__(self, newest: int) -> None:
        self._lock = threading.Lock()
        self._recent: deque[Numbered] = deque(maxlen=MOST)
        self._newest = self._kept = self._before = newest

    def post(self, alert: Alert) -> int:
        """Take an alert; return the number under which the records will have it. Safe from any thread."""
        with self._lock:
            self._newest += 1
            if len(self._recent) == MOST:
                self._before = self._recent[0][0]
            self._recent.append((self._newest, alert))
            return self._newest

    def waiting(self) -> list[Numbered]:
        """Return what the records do not have yet, oldest first."""
        if self._kept == self._newest:  # asked in every scan
            return []
        with self._lock:
            return [one for one in self._recent if one[0] > self._kept]

    def kept(self, number: int) -> None:
        """Take note that the records have all up to this number."""
        with self._lock:
            self._kept = max(self._kept, number)

    def after(self, number: int) -> list[Numbered] | None:
        """Return what is newer than a number, or None where memory does not reach back so far."""
        with self._lock:
            if number < self._before:
                return None
            return [one for one in self._recent if one[0] > number]
