"""Pulse trains in virtual time."""

from saltern.ports import Clock

DEPTH = 8
"""Trains that the queue holds, as the library's."""

NOT_YET_S = 1e-9


class VirtualPulseTrains:
    """The port `PulseTrains`, with the depth and the grain of the library's queue; no train is taken back.

    Parameters
    ----------
    clock
        Whose time it is.
    """

    def __init__(self, clock: Clock) -> None:
        self.clock = clock
        self.trains: list[tuple[float, float, int]] = []  # begins, ends, s; pulses
        self.waited_s = 0.0
        """Set it: what the library would say of how late it was."""
        self._first = 0  # of the trains that have not ended
        self._ended = 0

    def prepare(self, line: int) -> None:
        del line

    def queue(self, line: int, pulses: int, on_us: int, off_us: int) -> None:
        """Queue a train of at least one pulse."""
        del line
        if pulses < 1:
            msg = f"a train of {pulses} pulses"
            raise AssertionError(msg)
        self._append(pulses, pulses * (on_us + off_us) * 1e-6)

    def pause(self, line: int, duration_us: int) -> None:
        del line
        self._append(0, duration_us * 1e-6)

    def room(self, line: int) -> int:
        del line
        return DEPTH - len(self._unended())

    def ends_in_s(self, line: int) -> float:
        del line
        return max(0.0, self.trains[-1][1] - self.clock.monotonic()) if self.trains else 0.0

    def busy(self, line: int) -> bool:
        del line
        return bool(self._unended())

    def sent(self, line: int) -> tuple[int, int]:
        """Return how many pulses have gone out at least, and at most."""
        del line
        under_way = self._unended()
        return self._ended, self._ended + (under_way[0][2] if under_way else 0)

    def lateness_s(self) -> float:
        return self.waited_s

    def gone_out(self) -> int:
        """Return how many pulses have gone out, to the nearest: what a counter on the line would show."""
        under_way = self._unended()
        if not under_way:
            return self._ended
        begins, ends, pulses = under_way[0]
        return self._ended + max(0, round(pulses * (self.clock.monotonic() - begins) / (ends - begins)))

    def _append(self, pulses: int, lasts_s: float) -> None:
        if self.room(0) < 1:
            msg = f"more than {DEPTH} trains are queued"
            raise AssertionError(msg)
        begins = max(self.clock.monotonic(), self.trains[-1][1] if self.trains else 0.0)
        self.trains.append((begins, begins + lasts_s, pulses))

    def _unended(self) -> list[tuple[float, float, int]]:
        while self._first < len(self.trains) and self.trains[self._first][1] <= self.clock.monotonic() + NOT_YET_S:
            self._ended += self.trains[self._first][2]
            self._first += 1
        return self.trains[self._first :]
