"""The bench's state: the ledger, the trips, and the states that hold it, in the records and in two small files.

Rows and files must agree. Where one of the two is damaged, the other counts. Where neither can be relied on, or the
records are older than their files, the state is lost: nobody knows what was pumped, tripped or held since.
"""

import json
import math
import sqlite3
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any, Protocol, TypeVar

from saltern.errors import StorageError
from saltern.model.ledger import Interval, Ledger
from saltern.records import beside

Said = TypeVar("Said")

LEDGERS_KEPT = 5000
VOLUMES = (
    "vessel_low_ml", "vessel_high_ml", "titrant_low_ml", "titrant_high_ml", "waste_low_ml", "waste_high_ml",
    "titrant_recent_ml", "titrant_run_ml",
)  # fmt: skip


class Rows(Protocol):
    """The records, as far as that state needs them: `saltern.records.store.Store` is one."""

    where: str
    found: str
    trouble: str

    def each(
        self, table: str, decode: Callable[[sqlite3.Row], Said], rest: str = "", values: tuple[object, ...] = ()
    ) -> list[Said]: ...

    def rows(self, query: str, values: tuple[object, ...] = ()) -> list[sqlite3.Row]: ...

    def writing(self, what: str) -> AbstractContextManager[sqlite3.Connection]: ...

    def fresh_damage(self) -> list[tuple[str, int]]: ...

    def aside(self, path: Path) -> str: ...

    def now_text(self) -> str: ...


class BenchState:
    """What the bench keeps across restarts.

    Parameters
    ----------
    store
        The records.
    path
        Their path, or None: then there are no files beside them.
    begun
        Whether the records were begun just now: there were none, or they were damaged.
    upgraded
        Whether an earlier Saltern, which kept no small files, wrote them.
    """

    def __init__(self, store: Rows, path: Path | None, *, begun: bool = False, upgraded: bool = False) -> None:
        self._store = store
        self._path = path
        self.lost = ""
        """What of the state cannot be relied on, until a ledger is committed again."""
        self.damaged: list[str] = []
        """Small files that were moved aside."""
        self._generation = self._newest()
        self._latched = set(store.each("latch", _latched, "ORDER BY id"))
        self._latched.discard("")
        if path is not None:
            self._take_up(path, begun=begun, upgraded=upgraded)

    # The ledger -----------------------------------------------------------------------

    def load_ledger(self) -> Ledger | None:
        """Return the ledger as it was committed last, or None where none ever was.

        Raises
        ------
        StorageError
            Nobody knows it.
        """
        if self.lost:
            raise StorageError(
                self.lost,
                where=self._store.where,
                remedy="Check vessel, bottle and waste container, then run `saltern reset`",
            )
        newest = self._newest()
        rows = self._store.each("ledger", _ledger, "WHERE id = ?", (newest,))
        if rows or newest == 0:
            return rows[0] if rows else None
        kept = self._read(beside.LEDGER)
        if kept is None or kept.generation != newest:
            raise StorageError(
                "the newest ledger is damaged", where=self._store.where, remedy="Check vessel, bottle and container"
            )
        return _of_file(kept.body)

    def commit_ledger(self, ledger: Ledger, reason: str) -> None:
        """Keep a ledger in the records and then in its file, under the next number."""
        at = self._store.now_text()
        values = (
            ledger.vessel_ml.low, ledger.vessel_ml.high, ledger.titrant_left_ml.low, ledger.titrant_left_ml.high,
            ledger.waste_ml.low, ledger.waste_ml.high, ledger.titrant_recent_ml, ledger.titrant_run_ml,
        )  # fmt: skip
        number = self._generation + 1
        with self._store.writing("the ledger") as connection:
            connection.execute(
                f"INSERT INTO ledger (id, at_utc, reason, stage, {', '.join(VOLUMES)}) "  # noqa: S608 - names of ours
                "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (number, at, reason, ledger.stage, *values),
            )
            connection.execute("DELETE FROM ledger WHERE id <= ?", (number - LEDGERS_KEPT,))
        self._generation = number
        self._write(beside.LEDGER, number, {"stage": ledger.stage, **dict(zip(VOLUMES, values, strict=True))})
        self.lost = ""

    def look_through(self) -> None:
        """Compare with its checksum what a start would rely on: the newest ledger, trips and states, at rest.

        A row that is damaged while the service lives is set aside and reported then, and not after the next power cut.
        """
        self._store.each("ledger", _ledger, "WHERE id = ?", (self._newest(),))
        self._store.each("latch", _latched)
        self._store.each("state", _state)

    # Trips ----------------------------------------------------------------------------

    def load_latches(self) -> list[str]:
        return sorted(self._latched)

    def set_latch(self, name: str) -> None:
        with self._store.writing("a trip") as connection:
            connection.execute("INSERT INTO latch (interlock, set_utc) VALUES (?, ?)", (name, self._store.now_text()))
        self._latched.add(name)
        self.keep_holds()

    def clear_latch(self, name: str, operator: str) -> None:
        with self._store.writing("a reset") as connection:
            connection.execute(
                "UPDATE latch SET cleared_utc = ?, cleared_by = ? WHERE interlock = ? AND cleared_utc IS NULL",
                (self._store.now_text(), operator, name),
            )
        self._latched.discard(name)
        self.keep_holds()

    def keep_holds(self) -> None:
        """Write trips and states to their file."""
        if self._path is not None:
            states = self._store.each("state", _state)
            body = {"latched": sorted(self._latched), "states": {name: [value, at] for name, value, at in states}}
            self._write(beside.LATCHES, self._changes(), body)

    # Taking up ------------------------------------------------------------------------

    def _take_up(self, path: Path, *, begun: bool, upgraded: bool) -> None:
        """Compare rows and files, and let what is sound count."""
        ledger, ledger_damaged = self._read_or_move(beside.LEDGER)
        holds, holds_damaged = self._read_or_move(beside.LATCHES)
        none = ledger is None and holds is None and not ledger_damaged and not holds_damaged
        newest, changes = self._newest(), self._changes()
        doubted = {table for table, _ in self._store.fresh_damage() if table in ("latch", "state")}
        kept = bool(self._store.each("ledger", _ledger, "WHERE id = ?", (newest,)))
        if none and (upgraded or newest == 0) and not self._store.found:
            pass  # a bench that starts for the first time, or for the first time with files
        elif self._store.found:
            self.lost = self._store.found
        elif begun:
            self.lost = "the records are gone"
        elif none:
            self.lost = (
                "the records are here and the small files beside them are gone: they may be older than the bench"
            )
        elif ledger is not None and ledger.generation > newest:
            self.lost = f"the records are older than the ledger beside them ({newest} against {ledger.generation})"
        elif holds is not None and holds.generation > changes and not doubted:
            self.lost = f"the records are older than the trips beside them ({changes} against {holds.generation})"
        elif newest > 0 and not kept and (ledger is None or ledger.generation != newest):
            self.lost = "the newest ledger is damaged, and its file too"
        elif doubted and holds is None:
            self.lost = f"a damaged row of {' and '.join(sorted(doubted))} is not in the file beside the records"
        elif (ledger is None and not ledger_damaged) or (holds is None and not holds_damaged):
            self.lost = "a small file beside the records is gone"
        self._generation = max(newest, 0 if ledger is None else ledger.generation)
        if holds is not None:
            self._latched |= set(holds.body.get("latched", ()))
            if self.lost or doubted:
                self._restore_states(holds.body.get("states", {}))
        self._begin_files(ledger is None)

    def _begin_files(self, no_ledger: bool) -> None:
        """Write the files where they are not, unless that would hide what is lost; a disk that is full has its row."""
        try:
            self.keep_holds()
            if no_ledger and not self.lost:
                rows = self._store.each("ledger", _ledger, "WHERE id = ?", (self._generation,))
                self._write(beside.LEDGER, self._generation, _volumes(rows[0]) if rows else {})
        except StorageError as error:
            self._store.trouble = str(error)

    def _restore_states(self, states: dict[str, Any]) -> None:
        try:
            with self._store.writing("a state") as connection:
                for name, (value, at) in states.items():
                    connection.execute("DELETE FROM state WHERE name = ?", (name,))
                    connection.execute("INSERT INTO state (name, value, set_utc) VALUES (?, ?, ?)", (name, value, at))
        except (StorageError, ValueError, TypeError) as error:
            self.lost = self.lost or f"states could not be taken up ({error})"

    def _newest(self) -> int:
        (number,) = self._store.rows("SELECT coalesce(max(id), 0) FROM ledger")[0]
        return int(number)

    def _changes(self) -> int:
        """Return how often trips were set or cleared: the generation of their file."""
        (number,) = self._store.rows("SELECT count(*) + count(cleared_utc) FROM latch")[0]
        return int(number)

    # Files ----------------------------------------------------------------------------

    def _file(self, name: str) -> Path:
        assert self._path is not None  # noqa: S101 - asked by the caller
        return self._path.with_name(self._path.name + name)

    def _read(self, name: str) -> beside.Beside | None:
        return None if self._path is None else beside.read(self._file(name))

    def _read_or_move(self, name: str) -> tuple[beside.Beside | None, bool]:
        """Return what a file says, and whether it was damaged and is moved aside."""
        try:
            return self._read(name), False
        except beside.UnsoundError as error:
            aside = self._store.aside(self._file(name))
            self.damaged.append(f"{error.what}: kept as {aside}")
            return None, True

    def _write(self, name: str, generation: int, body: dict[str, Any]) -> None:
        if self._path is not None:
            beside.write(self._file(name), generation, body)


def worst_beside(path: Path, newest: int) -> None:
    """Say beside records that come from elsewhere that the bench has gone on since they were written."""
    beside.write(path.with_name(path.name + beside.LEDGER), newest + 1, {})


def _ledger(row: sqlite3.Row) -> Ledger:
    return _of_file({"stage": row["stage"], **{name: row[name] for name in VOLUMES}})


def _of_file(body: dict[str, Any]) -> Ledger:
    vessel_low, vessel_high, titrant_low, titrant_high, waste_low, waste_high, recent, run = (
        float(body[name]) for name in VOLUMES
    )
    volumes = (vessel_low, vessel_high, titrant_low, titrant_high, waste_low, waste_high, recent, run)
    if not all(math.isfinite(volume) for volume in volumes):
        raise ValueError("a volume is not finite")
    if vessel_low > vessel_high or titrant_low > titrant_high or waste_low > waste_high:
        raise ValueError("an interval ends before it begins")
    return Ledger(
        Interval(vessel_low, vessel_high),
        Interval(titrant_low, titrant_high),
        Interval(waste_low, waste_high),
        recent,
        run,
        body["stage"],
    )


def _volumes(ledger: Ledger) -> dict[str, Any]:
    intervals = (ledger.vessel_ml, ledger.titrant_left_ml, ledger.waste_ml)
    ends = [end for interval in intervals for end in (interval.low, interval.high)]
    values = (*ends, ledger.titrant_recent_ml, ledger.titrant_run_ml)
    return {"stage": ledger.stage, **dict(zip(VOLUMES, values, strict=True))}


def _latched(row: sqlite3.Row) -> str:
    """Return the interlock of a trip that nobody has cleared, or nothing."""
    if not isinstance(row["interlock"], str) or row["set_utc"] is None:
        raise ValueError("no interlock is named")
    return row["interlock"] if row["cleared_utc"] is None else ""


def _state(row: sqlite3.Row) -> tuple[str, str, str]:
    json.loads(row["value"])
    return row["name"], row["value"], row["set_utc"]
