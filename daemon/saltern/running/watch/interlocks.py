"""Interlocks that acted or cleared, and inputs that cannot be read."""

from saltern.bench.bench import Bench
from saltern.bench.guard import TripEvent
from saltern.bench.interlocks import DEVICE_ABSENT, TABLE
from saltern.running.alerting import Alerting

MOST_REMEMBERED = 1000
PLACES = {row.name: place for place, row in enumerate(TABLE)}


class Interlocks:
    """Takes up what the guard saw, scan by scan."""

    def __init__(self, bench: Bench, alerting: Alerting) -> None:
        self._bench = bench
        self._alerting = alerting
        self.history: list[TripEvent] = []

    def hear(self) -> None:
        """Alert of what acted since the last scan; what one scan saw comes in the order of the table."""
        events = self._bench.guard.events
        if not events:
            return
        heard = [events.popleft() for _ in range(len(events))]
        for event in sorted(heard, key=lambda one: (one.at_s, PLACES.get(one.row.name, len(PLACES)))):
            self._hear(event)

    def _hear(self, event: TripEvent) -> None:
        self.history.append(event)
        del self.history[:-MOST_REMEMBERED]
        row, code = event.row, f"interlock-{event.row.name}"
        if row.name == DEVICE_ABSENT:
            return  # each of them has an alert with its own name
        passed = row.kind == "permissive" and row not in self._bench.guard.acting
        if event.acting and not passed:
            self._alerting.alert(code, f"{row.watches}: {row.name}. {row.remedy}", row.severity)
        else:
            self._alerting.clear(code)

    def look_at_inputs(self) -> None:
        """Alert of inputs that cannot be read."""
        unreadable = "; ".join(f"{name}: {why}" for name, why in sorted(self._bench.unreadable.items()))
        self._alerting.stands(
            bool(unreadable),
            "input-unreadable",
            f"an input cannot be read, and acts as if open: {unreadable}",
        )
