"""Alerting under the scan: what each scan sees is raised at once, whatever the control thread is doing.

Nothing here waits. The records are written from here only with every pump at rest.
"""

from collections.abc import Callable

from saltern.bench.bench import Bench
from saltern.config.tables import BenchConfig
from saltern.errors import StorageError
from saltern.model.ledger import Interval
from saltern.ports import Clock
from saltern.records.store import Store
from saltern.running.alerting import Alerting
from saltern.running.at_work import AtWork
from saltern.running.mailbox import Mailbox
from saltern.running.probes import Probes
from saltern.running.watch.in_records import InRecords
from saltern.running.watch.interlocks import Interlocks
from saltern.running.watch.ports import Ports
from saltern.running.watch.silence import Heartbeat, NoResult
from saltern.running.watch.stores import of_stores

EVERY_S = 10.0
"""What comes with time is looked at so often: well within the minute in which it must be raised."""

KEEP_AGAIN_S = 10.0
"""A disk that did not take an alert is asked again after so long."""


class Scanned:
    """Hears every scan of one bench.

    Parameters
    ----------
    bench, store, clock, alerting, at_work, mailbox
        The bench, its records, the time, where alerts are raised, what is under way, and what others have asked.
    interlocks, ports, probes, no_result, in_records
        What is looked at; each owns what it remembers.
    then
        Called at every scan: the control thread lives.
    """

    def __init__(
        self,
        bench: Bench,
        store: Store,
        clock: Clock,
        alerting: Alerting,
        at_work: AtWork,
        mailbox: Mailbox,
        interlocks: Interlocks,
        ports: Ports,
        probes: Probes,
        no_result: NoResult,
        in_records: InRecords,
        then: Callable[[], None],
    ) -> None:
        self._bench, self._store, self._clock, self._alerting = bench, store, clock, alerting
        self._at_work, self._mailbox, self._then = at_work, mailbox, then
        self._interlocks, self._ports, self._probes = interlocks, ports, probes
        self._no_result, self._in_records = no_result, in_records
        self._heartbeat = Heartbeat()
        self._next_s = self._keep_s = clock.monotonic()
        self._refused = False  # whether the disk took nothing when it was last asked
        self._stores: tuple[BenchConfig, Interval, Interval] | None = None

    def scanned(self) -> None:
        """Take up one scan; called in the control thread, also while a pump turns."""
        now_s = self._clock.monotonic()
        self._interlocks.hear(now_s, at_work=self._at_work.running is not None)
        if now_s >= self._next_s:
            self._next_s = now_s + EVERY_S
            self.look(now_s)
        self._then()  # before the disk is asked: the thread lives, whatever that takes
        guard = self._bench.guard
        if not guard.moving and not guard.snapshot.motions:
            self.at_rest(now_s)

    def look(self, now_s: float) -> None:
        """Check all that comes with time, in memory alone."""
        config, now = self._bench.config, self._clock.now()
        self._interlocks.look_at_inputs()
        self._ports.look(at_rest=self._at_work.running is None)
        for found in self._probes.look(now_s):
            self._alerting.stands(*found)
        self._look_at_stores(config)
        self._alerting.stands(*self._no_result.look(config.alerts, now_s))
        self._alerting.repeat(now, now_s, config.alerts.repeat_h * 3600.0)
        beat = self._heartbeat.look(config, now, self._alerting.standing)
        if beat is not None:
            self._alerting.once("heartbeat", beat)

    def _look_at_stores(self, config: BenchConfig) -> None:
        ledger = self._bench.ledger
        seen = config, ledger.titrant_left_ml, ledger.waste_ml
        if seen == self._stores:
            return
        self._stores = seen
        for found in of_stores(config, ledger):
            self._alerting.stands(*found)

    def at_rest(self, now_s: float) -> None:
        """Write down what waits for the records, and do what was asked of them; every pump is at rest.

        A trip comes first, here and not at the end of a stage: a guided question may stand for an hour, and a power
        cut meanwhile must not take the latch with it.
        """
        for act in self._mailbox.take_for_records():
            act()
        self._in_records.look_for_room()
        guard = self._bench.guard
        if now_s < self._keep_s or not (guard.unsaved or self._store.waits):
            return
        try:
            guard.save()
            self._store.keep_what_waits()
        except StorageError as error:
            self._keep_s, self._refused = now_s + KEEP_AGAIN_S, True
            self._alerting.alert("storage", f"{error.what}. {error.remedy}")
        else:
            if self._refused:
                self._refused = False
                self._alerting.clear("storage")
