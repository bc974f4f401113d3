"""What a bench at rest does for its records: hours of pumps, latches, old curves, damaged rows."""

from collections.abc import Callable
from datetime import timedelta

import structlog

from saltern.bench.bench import Bench
from saltern.errors import StorageError
from saltern.ports import Clock
from saltern.records.remembered import Remembered
from saltern.records.store import LOOK_AGAIN_S, Store
from saltern.records.upkeep import keep_usage, thin
from saltern.running.alerting import Alerting
from saltern.running.watch.in_records import InRecords

THIN_EVERY_S = 86400.0
LOOK_EVERY_S = 10.0
"""Between two looks at what has changed in the records: what is due is then raised well within a minute."""

SET_ASIDE, MOST_SAID = "records-set-aside", 5


class Upkeep:
    """Owns when old curves were last dropped.

    Parameters
    ----------
    bench, store, clock, alerting
        The bench, its records, the time, and where alerts are raised.
    in_records
        What the records say is due.
    """

    def __init__(self, bench: Bench, store: Store, clock: Clock, alerting: Alerting, in_records: InRecords) -> None:
        self._bench, self._store, self._clock, self._alerting = bench, store, clock, alerting
        self._in_records = in_records
        self._thinned_s = -THIN_EVERY_S
        self._looked_s = -LOOK_EVERY_S
        self._look_through_state = Remembered(self._look_through, store)
        self._log = structlog.get_logger("saltern").bind(bench=bench.config.name)

    def look(self) -> None:
        """Do it, pumps at rest; what the records do not take or give raises an alert, and ends nothing."""
        self._try(self._bench.guard.save)
        self.keep_hours()
        now_s = self._clock.monotonic()
        if now_s - self._looked_s < LOOK_EVERY_S:
            return
        self._looked_s = now_s
        self.report_what_is_set_aside()
        self._try(self._look_at_state)
        self._try(self._in_records.look)
        self._thin()

    def _try(self, look: Callable[[], None]) -> None:
        try:
            look()
        except StorageError as error:
            self._alerting.alert("storage", f"{error.what}. {error.remedy}")

    def _look_at_state(self) -> None:
        """Hold the bench's state against its checksums, once in `LOOK_AGAIN_S` where nobody writes it."""
        self._look_through_state(int(self._clock.monotonic() // LOOK_AGAIN_S))

    def _look_through(self) -> None:
        if self._store.state is not None:
            self._store.state.look_through()

    def report_what_is_set_aside(self) -> None:
        """Raise once each row that is not as it was written: it is kept, and what it says does not count."""
        words = self._store.keep_set_aside()
        if words:
            several = f"; and {len(words) - MOST_SAID} more" if len(words) > MOST_SAID else ""
            text = f"damaged records are set aside, and do not count: {'; '.join(words[:MOST_SAID])}{several}"
            self._alerting.once(SET_ASIDE, text)

    def keep_hours(self) -> None:
        """Put what the pumps have turned into the records; what cannot be kept now is kept next time."""
        if not self._bench.turned:
            return
        try:
            keep_usage(self._store, self._bench.turned)
        except StorageError as error:
            self._log.error("pump_hours.not_kept", what=error.what, remedy=error.remedy)
        else:
            self._bench.turned = {}

    def _thin(self) -> None:
        """Drop old curves once a day, where the keeper wants that."""
        days = self._bench.config.records.keep_curves_days
        if days is None or self._clock.monotonic() - self._thinned_s < THIN_EVERY_S:
            return
        self._thinned_s = self._clock.monotonic()
        try:
            thin(self._store, self._clock.now() - timedelta(days=days))
        except StorageError as error:
            self._log.error("records.not_thinned", what=error.what, remedy=error.remedy)
