"""At rest every board is asked again and again: one that fell silent is found before it is needed.

Cell and balance are asked as often for what they say (`bench.at_rest`), and are not asked here as well.
"""

from contextlib import suppress

from saltern.bench import at_rest
from saltern.bench.bench import Bench
from saltern.bench.devices import probe_place
from saltern.bench.waiting import RESTING_POLL_S
from saltern.errors import ReadingError
from saltern.ports import Clock, DriverError

EVERY_S = 30.0
"""With the tries of a reading, what a board shows is raised within a minute."""


class Boards:
    """Owns when they were last asked."""

    def __init__(self, bench: Bench, clock: Clock) -> None:
        self._bench = bench
        self._clock = clock
        self._asked = [role for role in bench.devices.probes if role not in at_rest.ASKED]
        self._asked_s = clock.monotonic()

    def ask(self) -> None:
        """Ask the boards for a reading, if it is time; one that gives none has its interlock, which says so."""
        now_s = self._clock.monotonic()
        if now_s - self._asked_s < EVERY_S:
            return
        self._asked_s = now_s
        there = [role for role in self._asked if self._is_there(role)]
        for role in there:  # all at once: they convert while the first is waited for
            with suppress(DriverError):  # met again, and reported, by the reading
                self._bench.devices.probes[role].request()
        for role in there:
            with suppress(ReadingError):
                self._bench.read(role, RESTING_POLL_S)

    def _is_there(self, role: str) -> bool:
        """Return whether a board's port was there when last looked for; one that is absent has an alert of its own."""
        connection = self._bench.connections.get(probe_place(role))
        return connection is None or connection.up
