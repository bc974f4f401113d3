"""At rest every board is asked again and again, in turn: one that fell silent is found before it is needed.

Cell and balance are asked as often for what they say (`bench.at_rest`), and are not asked here as well.
"""

from contextlib import suppress
from itertools import cycle

from saltern.bench import at_rest
from saltern.bench.bench import Bench
from saltern.bench.devices import probe_place
from saltern.bench.waiting import RESTING_POLL_S
from saltern.errors import ReadingError
from saltern.ports import Clock

EVERY_S = 30.0
"""With the tries of a reading, what a board shows is raised within a minute."""


class Boards:
    """Owns whose turn it is, and when one was last asked."""

    def __init__(self, bench: Bench, clock: Clock) -> None:
        self._bench = bench
        self._clock = clock
        asked = [role for role in bench.devices.probes if role not in at_rest.ASKED]
        self._turns = cycle(asked)
        self._every_s = EVERY_S / len(asked)
        self._asked_s = clock.monotonic()

    def ask(self) -> None:
        """Ask the next board for a reading, if it is time; one that gives none has its interlock, which says so."""
        now_s = self._clock.monotonic()
        if now_s - self._asked_s < self._every_s:
            return
        self._asked_s, role = now_s, next(self._turns)
        connection = self._bench.connections.get(probe_place(role))
        if connection is None or connection.up:  # one that is absent has an alert of its own
            with suppress(ReadingError):
                self._bench.read(role, RESTING_POLL_S)
