"""Interlocks that acted or cleared, and inputs that cannot be read."""

from saltern.bench.bench import Bench
from saltern.bench.guard import TripEvent
from saltern.bench.interlocks import DEVICE_ABSENT, TABLE, Row
from saltern.running.alerting import Alerting

MOST_REMEMBERED = 1000
HELD_S, CLEARS_IDLE_S, CLEARS_AT_WORK_S = 10.0, 45.0, 600.0
"""A trip is raised at once. A permissive may pass: at work it is raised when it has held for the first of these. One
that the next drain or fill clears is raised at rest after the second; at work after the third, or when that ends."""

PLACES = {row.name: place for place, row in enumerate(TABLE)}


class Interlocks:
    """Takes up what the guard saw, scan by scan."""

    def __init__(self, bench: Bench, alerting: Alerting) -> None:
        self._bench = bench
        self._alerting = alerting
        self.history: list[TripEvent] = []
        self._waiting: dict[str, TripEvent] = {}  # permissives that act, and may pass
        self._was_at_work = False

    def hear(self, now_s: float, *, at_work: bool) -> None:
        """Alert of what acts, as of this scan; what one scan saw comes in the order of the table."""
        events = self._bench.guard.events
        if events:
            heard = [events.popleft() for _ in range(len(events))]
            for event in sorted(heard, key=lambda one: (one.at_s, PLACES.get(one.row.name, len(PLACES)))):
                self._hear(event)
        ended, self._was_at_work = self._was_at_work and not at_work, at_work
        if self._waiting:
            self._raise_what_holds(now_s, at_work=at_work, ended=ended)

    def _hear(self, event: TripEvent) -> None:
        self.history.append(event)
        del self.history[:-MOST_REMEMBERED]
        row = event.row
        if row.name == DEVICE_ABSENT:
            return  # each of them has an alert with its own name
        if not event.acting:
            self._waiting.pop(row.name, None)
            self._alerting.clear(f"interlock-{row.name}")
        elif row.kind == "trip":
            self._raise(row)
        else:
            self._waiting[row.name] = event

    def _raise_what_holds(self, now_s: float, *, at_work: bool, ended: bool) -> None:
        for name, event in list(self._waiting.items()):
            if event.row.clears_itself:
                waits_s = CLEARS_AT_WORK_S if at_work else CLEARS_IDLE_S
            else:
                waits_s = HELD_S if at_work else 0.0
            if ended or now_s - event.at_s >= waits_s:
                del self._waiting[name]
                self._raise(event.row)

    def _raise(self, row: Row) -> None:
        self._alerting.alert(f"interlock-{row.name}", f"{row.watches}: {row.name}. {row.remedy}", row.severity)

    def look_at_inputs(self) -> None:
        """Alert of inputs that cannot be read."""
        unreadable = "; ".join(f"{name}: {why}" for name, why in sorted(self._bench.unreadable.items()))
        self._alerting.stands(
            bool(unreadable),
            "input-unreadable",
            f"an input cannot be read, and acts as if open: {unreadable}",
        )
