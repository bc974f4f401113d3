"""The guard: scans the interlock table, latches trips, halts what a row cuts, and kicks the permits of what may move.

A permit is kicked only at the end of a scan that passed. If scans stop, for whatever reason, permits lapse.
"""

import threading
from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, fields
from operator import attrgetter
from typing import Protocol

from saltern.bench.interlocks import ALL_PUMPS, TABLE, Noticed, Row, Snapshot
from saltern.errors import InterlockError
from saltern.ports import Clock, PumpDrive, RunPermit

SWITCH_ROWS = {"overfill": "overfill", "leak": "leak", "stop": "stop", "waste_full": "waste-full"}
"""Which row each switch input belongs to."""

_as_seen = attrgetter(*(field.name for field in fields(Snapshot)))


@dataclass(frozen=True)
class TripEvent:
    """An interlock acted, or was cleared."""

    at_s: float
    row: Row
    acting: bool


class LatchStore(Protocol):
    """Where latched trips survive a restart."""

    def load_latches(self) -> list[str]: ...

    def set_latch(self, name: str) -> None: ...

    def clear_latch(self, name: str, operator: str) -> None: ...


class Guard:
    """Watches one bench.

    Parameters
    ----------
    drives, permits
        By pump role.
    look
        Fills a snapshot with what is seen now; what readings and procedures have noticed is in it already.
    """

    def __init__(
        self,
        drives: Mapping[str, PumpDrive],
        permits: Mapping[str, RunPermit],
        look: Callable[[Snapshot], None],
        clock: Clock,
        store: LatchStore,
        table: tuple[Row, ...] = TABLE,
    ) -> None:
        self._drives = drives
        self._permits = permits
        self._look = look
        self._clock = clock
        self._store = store
        self._table = table
        self._rows = {row.name: row for row in table}
        self._conditions = tuple((row.name, row.condition) for row in table)
        self._as_seen: tuple[object, ...] = ()
        self._holding: frozenset[str] = frozenset()
        self._lock = threading.Lock()
        self._latched: set[str] = {name for name in store.load_latches() if name in self._rows}
        self._edges: set[str] = set()
        self._acting = frozenset(self._latched)
        self._unsaved: set[str] = set()
        self.cut: frozenset[str] = self._cuts(self._acting)
        self.events: deque[TripEvent] = deque(maxlen=10_000)
        self.scanned: Callable[[], None] = lambda: None  # called at every scan: the control thread lives
        self.scanned_s = clock.monotonic()
        self.moving = False  # whether the last scan kept a permit alive
        self.snapshot = Snapshot()
        self.noticed: Noticed = self.snapshot  # what is noticed is in what every scan sees
        self._bypassed_until_s: dict[str, float] = {}

    # Scanning, in the control thread --------------------------------------------

    def scan(self, moving: Sequence[str] = ()) -> frozenset[str]:
        """Evaluate every row once; halt and cut, or kick the permits of `moving`.

        Returns
        -------
        frozenset
            The pump roles that are cut.
        """
        seen, self.moving = self.snapshot, bool(moving)
        self._look(seen)
        now_acting = self._conditions_of(seen)
        if self._bypassed_until_s:
            now_acting = now_acting - self.bypassed().keys()
        with self._lock:
            if self._edges:
                now_acting = now_acting | self._edges
                self._edges.clear()
            for name in now_acting:
                if name not in self._latched and self._rows[name].kind == "trip":
                    self._latched.add(name)
                    self._unsaved.add(name)
            acting = now_acting | self._latched
        if acting != self._acting:
            self._report(acting)
            self._acting = acting
            self.cut = self._cuts(acting)
        if self.cut:
            self._stop(self.cut)
        for role in moving:
            if role not in self.cut:
                self._permits[role].kick()
        self.scanned_s = self._clock.monotonic()
        self.scanned()
        return self.cut

    def _conditions_of(self, seen: Snapshot) -> frozenset[str]:
        """Return the rows whose condition holds; they depend on what is seen alone, and at rest that seldom changes."""
        as_seen = _as_seen(seen)
        if as_seen != self._as_seen:
            self._as_seen = as_seen
            self._holding = frozenset(name for name, condition in self._conditions if condition(seen))
        return self._holding

    def trip(self, finding: str) -> None:
        """Latch the trip that this finding makes, a field of `Noticed`; the latch stays when the finding has passed."""
        setattr(self.noticed, finding, True)
        self.scan()
        setattr(self.noticed, finding, False)

    def edge(self, name: str) -> None:
        """Act on a switch from any thread: cut at once, and let the next scan latch it."""
        row = self._rows.get(name)
        if row is None:
            return
        with self._lock:
            self._edges.add(name)
        self._stop(row.cuts)

    def bypass(self, name: str, seconds: float) -> None:
        """Leave a row out of account for so long, by monotonic time; a restart ends it.

        Raises
        ------
        InterlockError
            There is no such row, or it guards more than the number.
        """
        row = self._rows.get(name)
        if row is None or not row.bypassable:
            may = ", ".join(other.name for other in self._table if other.bypassable)
            raise InterlockError(
                f"{name} cannot be bypassed", where="bypass", remedy=f"These can: {may}", interlock=name
            )
        self._bypassed_until_s[name] = self._clock.monotonic() + seconds
        self.scan()

    def bypassed(self) -> dict[str, float]:
        """Return the rows that are bypassed now, and for how many seconds more."""
        now_s = self._clock.monotonic()
        return {name: until_s - now_s for name, until_s in dict(self._bypassed_until_s).items() if until_s > now_s}

    def demand(self, role: str) -> None:
        """Refuse a motion that an interlock forbids.

        Raises
        ------
        InterlockError
            Some row cuts this pump now.
        """
        if role not in self.scan():
            return
        row = next(row for row in self._table if row.name in self._acting and role in row.cuts)
        raise InterlockError(
            f"the interlock {row.name} forbids the {role} pump ({row.condition.__name__.replace('_', ' ')})",
            where=row.watches,
            remedy=row.remedy,
            interlock=row.name,
        )

    # Latches ----------------------------------------------------------------------

    @property
    def due(self) -> bool:
        """Whether a switch has acted since the last scan: the next one latches it, and need not wait for its turn."""
        return bool(self._edges)

    @property
    def acting(self) -> tuple[Row, ...]:
        """Return the rows that block or have tripped, in the table's order."""
        if not self._acting:
            return ()
        return tuple(row for row in self._table if row.name in self._acting)

    @property
    def tripped(self) -> bool:
        """Whether a trip is latched: a permissive is not one."""
        return any(row.kind == "trip" for row in self.acting)

    @property
    def unsaved(self) -> bool:
        """Whether there are latches that the store does not have yet."""
        return bool(self._unsaved)

    def save(self) -> None:
        """Write latches that are new to the store; called while pumps rest."""
        with self._lock:
            fresh, self._unsaved = self._unsaved, set()
        try:
            for name in sorted(fresh):
                self._store.set_latch(name)
        except OSError:
            with self._lock:
                self._unsaved |= fresh
            raise

    def reset(self, operator: str) -> None:
        """Clear every latched trip.

        Raises
        ------
        InterlockError
            The cause of one still lasts; none is cleared.
        """
        self._look(self.snapshot)
        for name in sorted(self._latched):
            row = self._rows[name]
            if row.condition(self.snapshot):
                raise InterlockError(
                    f"{row.watches} still says {row.condition.__name__.replace('_', ' ')}",
                    where=f"reset of {name}",
                    remedy=row.remedy,
                    interlock=name,
                )
        for name in sorted(self._latched):
            self._store.clear_latch(name, operator)
        with self._lock:
            self._latched.clear()
            self._unsaved.clear()
        self.scan()

    # ------------------------------------------------------------------------------

    def _stop(self, roles: Iterable[str]) -> None:
        """Take back each permit and halt each pump; one that fails keeps no other turning."""
        with ExitStack() as each:
            for role in sorted(roles, reverse=True):
                each.callback(self._drives[role].halt)
                each.callback(self._permits[role].drop)

    def _report(self, acting: frozenset[str]) -> None:
        now_s = self._clock.monotonic()
        for name in sorted(acting ^ self._acting):
            self.events.append(TripEvent(now_s, self._rows[name], name in acting))

    def _cuts(self, acting: Iterable[str]) -> frozenset[str]:
        cut: frozenset[str] = frozenset()
        for name in acting:
            cut |= self._rows[name].cuts
        return cut & ALL_PUMPS
