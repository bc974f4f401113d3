"""What the records say is due: the proof test, parts, calibrations. Looked at with pumps at rest."""

from datetime import datetime

from saltern.bench.bench import Bench
from saltern.bench.proof import GRACE, due
from saltern.ports import Clock
from saltern.records.calibrations import doubted
from saltern.records.remembered import Remembered
from saltern.records.store import Store
from saltern.records.upkeep import installed, proved, usage
from saltern.running.alerting import Alerting
from saltern.running.commissioning import commissioned
from saltern.running.watch.calibrations import of_calibrations
from saltern.running.watch.parts import of_parts

ROOM_EVERY_S = 50.0
"""So that a disk that takes nothing is told of within a minute, the scan at rest that finds it included."""


class InRecords:
    """Owns what was last read: the records are read again when they have changed, or after a minute."""

    def __init__(self, bench: Bench, store: Store, clock: Clock, alerting: Alerting, first_start: datetime) -> None:
        self._bench = bench
        self._store = store
        self._clock = clock
        self._alerting = alerting
        self._first_start = first_start
        self._remembered = Remembered(self._read, store, clock)
        self._room_seen_s = -ROOM_EVERY_S

    def look(self) -> None:
        """Raise what is due.

        Raises
        ------
        StorageError
            The records cannot be read.
        """
        self._remembered(self._bench.config)

    def look_for_room(self) -> None:
        """Alert of a disk that takes nothing any more."""
        if self._clock.monotonic() - self._room_seen_s < ROOM_EVERY_S:
            return
        self._room_seen_s = self._clock.monotonic()
        self._alerting.stands(
            not (self._store.holds_reserve() and self._store.takes_writes()),
            "disk-full",
            "the disk of the records is full, or cannot be written: make room, before nothing can be measured",
        )

    def _read(self) -> None:
        config, now, store = self._bench.config, self._clock.now(), self._store
        proof_due = due(config, proved(store), self._first_start)
        self._bench.noticed.proof_overdue = now > proof_due + GRACE
        self._alerting.stands(
            now >= proof_due,
            "proof-due",
            f"the proof test is due: run `saltern proof-test`; from {proof_due + GRACE:%Y-%m-%d} nothing is measured "
            "unattended without it",
        )
        self._alerting.stands(
            commissioned(store, config) is None,
            "not-commissioned",
            "this bench is not commissioned: nothing is pumped but by guided procedures. Bring it "
            "up: saltern bring-up. Or, where all was tried before: saltern commission --records-only WHO WHY",
        )
        damaged = ", ".join(sorted(doubted(store)))
        self._alerting.stands(
            bool(damaged),
            "calibration-damaged",
            f"the record of a calibration is damaged, and an older one or the bench file counts ({damaged}): calibrate "
            "again, or put one in force by its number with `saltern calibrations roll-back`",
        )
        for found in (
            *of_parts(config, installed(store), now, usage(store)),
            *of_calibrations(config, now.date()),
        ):
            self._alerting.stands(*found)
