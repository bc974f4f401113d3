"""At rest every board is asked again and again: one that fell silent is found before it is needed."""

from contextlib import suppress

from saltern.bench.bench import Bench
from saltern.bench.devices import probe_place
from saltern.errors import ReadingError
from saltern.ports import Clock

EVERY_S = 30.0
"""With the tries of a reading, what a board shows is raised within a minute."""


class Boards:
    """Owns when each board was last asked at rest."""

    def __init__(self, bench: Bench, clock: Clock) -> None:
        self._bench = bench
        self._clock = clock
        self._asked_s = clock.monotonic()

    def ask(self) -> None:
        """Ask every board for a reading, if it is time; one that gives none has its interlock, which says so."""
        now_s = self._clock.monotonic()
        if now_s - self._asked_s < EVERY_S:
            return
        self._asked_s = now_s
        for role in self._bench.devices.probes:
            connection = self._bench.connections.get(probe_place(role))
            if connection is None or connection.up:  # one that is absent has an alert of its own
                with suppress(ReadingError):
                    self._bench.read(role)
