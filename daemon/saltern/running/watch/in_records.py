"""What the records say is due: the proof test, parts, calibrations. Looked at with pumps at rest."""

from collections.abc import Mapping
from datetime import datetime
from typing import NamedTuple

from saltern.bench.bench import Bench
from saltern.bench.proof import GRACE, due
from saltern.model.usage import Usage
from saltern.ports import Clock
from saltern.records.calibrations import doubted
from saltern.records.remembered import Remembered
from saltern.records.store import LOOK_AGAIN_S, Store
from saltern.records.upkeep import Installed, installed, proved, usage
from saltern.running.alerting import Alerting
from saltern.running.commissioning import commissioned
from saltern.running.watch.calibrations import of_calibrations
from saltern.running.watch.parts import of_parts

ROOM_EVERY_S = 50.0
"""A disk that takes nothing is reported within a minute, with the scan at rest that finds it."""


class Said(NamedTuple):
    """What the records say, whatever the date."""

    proved: Mapping[str, datetime]
    commissioned: bool
    damaged: str  # the kinds of calibration whose record is damaged
    installed: Mapping[str, Installed]
    usage: Mapping[str, Usage]


class InRecords:
    """Owns what was last read: the records are read again when they have changed, and held against the date anew."""

    def __init__(self, bench: Bench, store: Store, clock: Clock, alerting: Alerting, first_start: datetime) -> None:
        self._bench = bench
        self._store = store
        self._clock = clock
        self._alerting = alerting
        self._first_start = first_start
        self._said = Remembered(self._read, store)
        self._looked = Remembered(self._look, store)
        self._room_seen_s = -ROOM_EVERY_S

    def look(self) -> None:
        """Raise what is due, looked for again when the records or the bench file have changed, or within a minute.

        Raises
        ------
        StorageError
            The records cannot be read.
        """
        self._looked(self._bench.config, int(self._clock.monotonic() // LOOK_AGAIN_S))

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

    def _read(self) -> Said:
        config, store = self._bench.config, self._store
        damaged = ", ".join(sorted(doubted(store)))
        held = commissioned(store, config) is not None
        return Said(proved(store), held, damaged, installed(store), usage(store))

    def _look(self) -> None:
        config, now = self._bench.config, self._clock.now()
        said = self._said(config)
        proof_due = due(config, said.proved, self._first_start)
        self._bench.noticed.proof_overdue = now > proof_due + GRACE
        self._alerting.stands(
            now >= proof_due,
            "proof-due",
            f"the proof test is due: run `saltern proof-test`; from {proof_due + GRACE:%Y-%m-%d} nothing is measured "
            "unattended without it",
        )
        self._alerting.stands(
            not said.commissioned,
            "not-commissioned",
            "this bench is not commissioned: nothing is pumped but by guided procedures. Bring it "
            "up: saltern bring-up. Or, where all was tried before: saltern commission --records-only WHO WHY",
        )
        self._alerting.stands(
            bool(said.damaged),
            "calibration-damaged",
            "the record of a calibration is damaged, and an older one or the bench file counts "
            f"({said.damaged}): calibrate again, or put one in force by its number with `saltern calibrations "
            "roll-back`",
        )
        for found in (
            *of_parts(config, said.installed, now, said.usage),
            *of_calibrations(config, now.date()),
        ):
            self._alerting.stands(*found)
