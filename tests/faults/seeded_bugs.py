"""Bugs that somebody could make, each a few lines, seeded into the product: a judge is only worth what it finds.

They are not layers switched off (`layers`), but what a repair at the wrong place would leave: the service runs on,
reports what it always reports, and is wrong in one thing.
"""

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from unittest.mock import patch

from saltern.bench import bookkeeping
from saltern.bench.draining import Draining
from saltern.bench.guard import Guard
from saltern.bench.motion import Motion
from saltern.bench.witness import MotionRecord
from saltern.model.alert import Alert
from saltern.model.ledger import Ledger
from saltern.ports import Direction
from saltern.records.store import Store
from saltern.running.alerting import Alerting
from tests.faults.layers import LAYERS


@contextmanager
def seeded(*names: str) -> Iterator[None]:
    """Seed these bugs, and switch these layers off."""
    with ExitStack() as stack:
        for name in names:
            for change in {**LAYERS, **BUGS}[name]():
                stack.enter_context(change)
        yield


def _latches_forgotten() -> list:
    """A start takes up no latch."""
    return [patch.object(Store, "load_latches", lambda self: [])]


def _latches_end_with_their_cause() -> list:
    """A trip is treated as a permissive: it clears itself."""
    scan = Guard.scan

    def and_forget(self: Guard, moving: tuple[str, ...] = ()) -> frozenset[str]:
        scan(self, moving)
        self._latched &= {name for name, condition in self._conditions if condition(self.snapshot)}
        return scan(self, moving)

    return [patch.object(Guard, "scan", and_forget)]


def _reset_without_a_look() -> list:
    """A latch goes from the records whenever one is saved."""
    save = Guard.save

    def and_clear(self: Guard) -> None:
        save(self)
        for name in sorted(self._latched):
            self._store.clear_latch(name, "nobody")

    return [patch.object(Guard, "save", and_clear)]


def _no_tail() -> list:
    """A drain ends when the cell falls dry: what stands below its tip stays."""
    return [patch.object(Draining, "_tail_s", lambda self, dry_at_s, rate_ml_s: 0.0)]


def _cut_motion_not_booked() -> list:
    """What a motion moved before the guard cut it is not entered in the ledger."""
    book = Motion._book

    def only_whole_ones(self: Motion, record: MotionRecord) -> None:
        if record.role not in self._guard.cut:
            book(self, record)

    return [patch.object(Motion, "_book", only_whole_ones)]


def _half_booked() -> list:
    """The vessel's upper bound takes up half of what a pump has given: less than the cell's height leaves open."""

    def booked(self: Motion, record: MotionRecord) -> None:
        low_ml = 0.5 * self._moved_ml(record).low
        if record.role != "waste" and record.direction is Direction.FORWARD:
            self._account.filled_ml += low_ml
            self._account.ledger = bookkeeping.sample_added(self._account.ledger, 0.0, low_ml)

    return [patch.object(Motion, "_book", booked)]


def _empty_is_nothing() -> list:
    """What a drain leaves below the cell is forgotten: a vessel that is proved empty holds nothing."""
    proved = bookkeeping.proved_empty

    def nothing(ledger: Ledger, cell_ml: float) -> Ledger:
        del cell_ml
        return proved(ledger, 0.0)

    return [patch.object(bookkeeping, "proved_empty", nothing)]


def _interlocks_not_told() -> list:
    """Alerts of interlocks go nowhere; all others come."""
    raise_once = Alerting.raise_once

    def others(self: Alerting, alert: Alert, steps: float = 0.0) -> None:
        if not alert.code.startswith("interlock-"):
            raise_once(self, alert, steps)

    return [patch.object(Alerting, "raise_once", others)]


def _told_late() -> list:
    """Outlets are given what is two minutes old."""
    given = Store.alerts_after

    def old_ones(self: Store, number: int, limit: int) -> list[tuple[int, Alert]]:
        now_s = self._clock.monotonic()
        return [one for one in given(self, number, limit) if one[1].at_s < now_s - 120.0]

    return [patch.object(Store, "alerts_after", old_ones)]


BUGS: dict[str, Callable[[], list]] = {
    "latches forgotten at a start": _latches_forgotten,
    "latches end with their cause": _latches_end_with_their_cause,
    "latches cleared when saved": _reset_without_a_look,
    "a drain without its tail": _no_tail,
    "a cut motion is not booked": _cut_motion_not_booked,
    "half is booked": _half_booked,
    "empty is nothing": _empty_is_nothing,
    "interlocks are not told": _interlocks_not_told,
    "told two minutes late": _told_late,
}
