"""The store: one writer, short transactions, each durable when it returns (WAL, synchronous FULL)."""

import json
import sqlite3
import threading
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import TextIO, TypeVar

from saltern.errors import StorageError
from saltern.model.alert import Alert, Severity
from saltern.model.determination import Determination, Source
from saltern.model.ledger import Ledger
from saltern.model.logbook import ENTRY, AnyEntry, Logged
from saltern.model.verdict import Reason
from saltern.ports import Clock
from saltern.records import reserve, row_sums
from saltern.records.aside import put_aside
from saltern.records.bench_state import BenchState
from saltern.records.determination_row import determination_of, row_of
from saltern.records.outbox import Outbox
from saltern.records.storage_errors import storage_error

Said = TypeVar("Said")

IN_MEMORY = ":memory:"
KINDS = {"result": "determination", "alert": "alert"}
DECODING = (StorageError, ArithmeticError, AttributeError, LookupError, TypeError, ValueError, zlib.error)
"""What decoding says of a row that is not as it was written."""

LOOK_AGAIN_S = 35.0
"""What another process has written is looked for so often: an alert that hangs on it, on the file or on the date is
still raised within a minute."""

TRIED_BYTES = 65_536
"""More than a determination with its curve and readings takes (some 4 kB), and than what pages are free by chance."""


class Store:
    """Everything one bench keeps. Safe to call from several threads."""

    def __init__(
        self,
        connection: sqlite3.Connection,
        clock: Clock,
        where: str,
        boot_id: str,
        found: str,
        owned: TextIO | None = None,
    ) -> None:
        self._connection = connection
        self._clock = clock
        self.where = where
        self._boot_id = boot_id
        self._lock = threading.Lock()
        self._owned = owned
        self.found = found
        self.trouble = ""  # what could not be written while it was opened
        self._sound = {name: row_sums.sound_column(connection, name) for name in row_sums.tables(connection)}
        self._damaged: dict[tuple[str, int], str] = {}  # rows that do not count, and why
        self._news: dict[tuple[str, int], str] = {}  # those of them that are not reported yet
        self._to_keep: dict[tuple[str, int], str] = {}  # those of them that are not in `set_aside` yet
        for row in self.rows("SELECT table_name, row_id, why FROM set_aside"):
            if row["table_name"] in row_sums.KEPT_IN_PLACE:
                self._damaged[row["table_name"], row["row_id"]] = row["why"]
        self.state: BenchState | None = None
        self._outbox = Outbox(self._newest("alert"))
        self._heard: dict[tuple[str, str], int] = {}  # how far each outlet was heard, by outlet and kind
        self._tried = 0  # writes that were tried and taken back
        self._by_others, self._asked_s = 0, -LOOK_AGAIN_S  # see `changes_by_others`
        self._heard_unkept: set[tuple[str, str]] = set()

    def close(self) -> None:
        with suppress(StorageError):  # outlets then send again what they have sent, under the same numbers
            self.keep_what_waits()
        with self._lock:
            self._connection.close()
            if self._owned is not None:
                self._owned.close()

    # What is damaged ------------------------------------------------------------------

    def each(
        self,
        table: str,
        decode: Callable[[sqlite3.Row], Said],
        rest: str = "",
        values: tuple[object, ...] = (),
        limit: int | None = None,
    ) -> list[Said]:
        """Return what rows of a table say, at most `limit`; one that is not as it was written is set aside.

        Parameters
        ----------
        table, rest, values
            The table, and what follows its name in the query.
        decode
            What a row says; whatever of `DECODING` it raises is what is wrong with the row.
        """
        found: list[Said] = []
        query = f"SELECT rowid AS row_id, {self._sound[table]} AS sound, * FROM {table} {rest} LIMIT ? OFFSET ?"  # noqa: S608
        step, offset = -1 if limit is None else limit, 0
        while True:
            rows = self.rows(query, (*values, step, offset))
            for row in rows:
                place = table, int(row["row_id"])
                if place in self._damaged:
                    continue
                if not row["sound"]:
                    self._set_aside(place, "its checksum differs")
                    continue
                try:
                    found.append(decode(row))
                except DECODING as error:
                    self._set_aside(place, str(error) or type(error).__name__)
            offset += len(rows)
            if limit is None or len(rows) < step or len(found) >= limit:
                return found[:limit]

    def look_through(self) -> None:
        """Compare every row with its checksum, and set aside what differs."""
        for table, sound in self._sound.items():
            for row in self.rows(f"SELECT rowid FROM {table} WHERE NOT {sound}"):  # noqa: S608 - a table of ours
                self._set_aside((table, int(row[0])), "its checksum differs")
        try:
            self._keep_set_aside()
        except StorageError as error:
            self.trouble = str(error)

    def _set_aside(self, place: tuple[str, int], why: str) -> None:
        if place not in self._damaged:
            self._damaged[place] = self._news[place] = self._to_keep[place] = why

    def is_damaged(self, table: str, number: int | None) -> bool:
        """Return whether a row was found damaged; looks at nothing anew."""
        return (table, number) in self._damaged

    def fresh_damage(self) -> list[tuple[str, int]]:
        """Return the table and number of each row that was found damaged and is not reported yet."""
        return list(self._news)

    def keep_set_aside(self) -> list[str]:
        """Keep what was set aside, pumps at rest; return, once each, what that was, in words."""
        news, self._news = self._news, {}
        words = [f"{table.replace('_', ' ')} {number}: {why}" for (table, number), why in news.items()]
        if self.state is not None:
            words, self.state.damaged = [*words, *self.state.damaged], []
        try:
            self._keep_set_aside()
        except StorageError as error:
            self.trouble = str(error)  # they are reported all the same, and kept another time
        return words

    def _keep_set_aside(self) -> None:
        places = dict(self._to_keep)
        if not places:
            return
        with self.writing("what is set aside") as connection:
            for table in {table for table, _ in places if table not in row_sums.KEPT_IN_PLACE}:
                connection.execute(f"REINDEX main.{table}")  # a damaged key is not in its index
            for (table, number), why in places.items():
                connection.execute(
                    "INSERT INTO set_aside (at_utc, table_name, row_id, why, content) "  # noqa: S608 - a table of ours
                    f"SELECT ?, ?, ?, ?, {row_sums.as_found(connection, table)} FROM {table} WHERE rowid = ?",
                    (self.now_text(), table, number, why, number),
                )
                if table not in row_sums.KEPT_IN_PLACE:
                    connection.execute(f"DELETE FROM {table} WHERE rowid = ?", (number,))  # noqa: S608
        for place in places:
            del self._to_keep[place]
            if place[0] not in row_sums.KEPT_IN_PLACE:  # its number may be another's next
                del self._damaged[place]

    def aside(self, path: Path) -> str:
        """Move a damaged file aside; return the name under which it is kept."""
        return put_aside(path, self._clock).name

    def now_text(self) -> str:
        return self._clock.now().isoformat(timespec="milliseconds")

    # Determinations -----------------------------------------------------------------

    def keep(self, d: Determination) -> int:
        """Keep a determination; return its number. It is no draft any more."""
        row = row_of(d, self._boot_id)
        with self.writing("a determination") as connection:
            cursor = connection.execute(_insert("determination", row), row)
            connection.execute("DELETE FROM draft")
            return int(cursor.lastrowid or 0)

    def keep_draft(self, d: Determination) -> None:
        """Keep the determination under way as far as it has come: what is found of it after a death."""
        row = row_of(d, self._boot_id)
        with self.writing("a draft") as connection:
            connection.execute("DELETE FROM draft")
            connection.execute(_insert("draft", row), row)

    def draft(self) -> Determination | None:
        """Return the determination that was under way when the last process ended without a word."""
        rows = self.each("draft", determination_of)
        return rows[0] if rows else None

    def next_id(self) -> int:
        """Return the number that the next determination will have."""
        (last,) = self.rows("SELECT coalesce(max(id), 0) FROM determination")[0]
        return int(last) + 1

    def determination(self, number: int) -> Determination:
        """Return one determination.

        Raises
        ------
        StorageError
            There is none of this number, or it is damaged.
        """
        rows = self.each("determination", determination_of, "WHERE id = ?", (number,))
        if not rows and ("determination", number) in self._damaged:
            raise StorageError(
                f"determination {number} is damaged ({self._damaged['determination', number]})",
                where=self.where,
                remedy="It is set aside, as v_set_aside shows; a backup may have it",
            )
        if not rows:
            last = self.next_id() - 1
            raise StorageError(
                f"there is no determination {number}",
                where=self.where,
                remedy=f"The newest is {last}" if last else "None has been kept yet",
            )
        return rows[0]

    def results(self, limit: int) -> list[tuple[int, Determination]]:
        """Return the newest determinations with their numbers, newest first."""
        return self.each("determination", _numbered, "ORDER BY id DESC", limit=limit)

    def reportable(self, source: Source, limit: int) -> list[Determination]:
        """Return the newest determinations whose alkalinity is reportable, oldest first."""
        return self.each(
            "determination",
            determination_of,
            "WHERE source = ? AND alkalinity_verdict IN ('accepted', 'provisional') ORDER BY id DESC",
            (source.value,),
            limit,
        )[::-1]

    def has_accepted(self, source: Source) -> bool:
        """Return whether any alkalinity was ever accepted."""
        where = "WHERE source = ? AND alkalinity_verdict = 'accepted'"
        return bool(self.each("determination", _id, where, (source.value,), 1))

    def suspects(self, source: Source, limit: int) -> list[Determination]:
        """Return the newest determinations whose alkalinity is suspect, oldest first."""
        where = "WHERE source = ? AND alkalinity_verdict = 'suspect' ORDER BY id DESC"
        return self.each("determination", determination_of, where, (source.value,), limit)[::-1]

    def last_started(self, source: Source) -> datetime | None:
        rows = self.each("determination", _started, "WHERE source = ? ORDER BY id DESC", (source.value,), limit=1)
        return rows[0][0] if rows else None

    def last_met(self, source: Source) -> datetime | None:
        """Return when the last determination began that counts as one: a first interrupted one does not.

        So a slot that a power cut took is caught up once. One that is interrupted again counts: it may be the cause.
        """
        rows = self.each("determination", _started, "WHERE source = ? ORDER BY id DESC", (source.value,), limit=2)
        interrupted = [reasons == [Reason.INTERRUPTED.value] for _, reasons in rows]
        if interrupted[:1] == [True] and interrupted[1:] != [True]:
            rows = rows[1:]
        return rows[0][0] if rows else None

    # The bench's state ----------------------------------------------------------------

    def load_ledger(self) -> Ledger | None:
        """Return the ledger as it was committed last; see `Books`."""
        return self._state().load_ledger()

    def commit_ledger(self, ledger: Ledger, reason: str) -> None:
        self._state().commit_ledger(ledger, reason)

    def load_latches(self) -> list[str]:
        return self._state().load_latches()

    def set_latch(self, name: str) -> None:
        self._state().set_latch(name)

    def clear_latch(self, name: str, operator: str) -> None:
        self._state().clear_latch(name, operator)

    def load_state(self, name: str) -> object:
        """Return a state of the bench that outlives restarts, or None; see `upkeep.keep_state`."""
        rows = self.each("state", _state, "WHERE name = ?", (name,))
        return rows[0] if rows else None

    def keep_holds(self) -> None:
        """Say the states beside the records, too."""
        self._state().keep_holds()

    def _state(self) -> BenchState:
        if self.state is None:  # a reader's
            self.state = BenchState(self, None)
        return self.state

    def post_alert(self, alert: Alert) -> int:
        """Give an alert to the outlets, from memory; return its number. The records get it by `keep_what_waits`."""
        return self._outbox.post(alert)

    def keep_alert(self, alert: Alert) -> None:
        """Give an alert to the outlets and to the records, after those that wait.

        Raises
        ------
        StorageError
            The disk does not take it: it waits.
        """
        self._outbox.post(alert)
        self.keep_what_waits()

    @property
    def waits(self) -> bool:
        """Whether there is something that the records do not have yet."""
        return bool(self._heard_unkept or self._outbox.waiting())

    def keep_what_waits(self) -> None:
        """Keep alerts that wait, and how far outlets were heard, pumps at rest.

        Raises
        ------
        StorageError
            The disk does not take them: they wait.
        """
        alerts, heard = self._outbox.waiting(), {place: self._heard[place] for place in tuple(self._heard_unkept)}
        if not alerts and not heard:
            return
        with self.writing("an alert") as connection:
            connection.executemany(
                "INSERT INTO alert (id, at_utc, at_monotonic_s, severity, code, text) VALUES (?, ?, ?, ?, ?, ?)",
                [
                    (number, a.at.isoformat(timespec="milliseconds"), a.at_s, int(a.severity), a.code, a.text)
                    for number, a in alerts
                ],
            )
            connection.executemany(
                "INSERT INTO outlet (name, kind, acknowledged) VALUES (?, ?, ?) "
                "ON CONFLICT (name, kind) DO UPDATE SET acknowledged = excluded.acknowledged",
                [(*place, number) for place, number in heard.items()],
            )
        if alerts:
            self._outbox.kept(alerts[-1][0])
        self._heard_unkept -= {place for place, number in heard.items() if self._heard[place] == number}

    def holds_reserve(self) -> bool:
        """Return whether some room is held for a full disk; what is not held is taken, if it is there again."""
        return self.where == IN_MEMORY or reserve.hold(Path(self.where))

    def takes_writes(self) -> bool:
        """Return whether more could be written; it is tried in memory and taken back, and costs the disk nothing."""
        if self.where == IN_MEMORY:
            return True
        with self._lock:
            before = self._connection.total_changes
            try:
                self._connection.execute("BEGIN IMMEDIATE")
                try:
                    self._connection.execute(
                        "INSERT INTO bench_file (at_utc, text) VALUES ('', zeroblob(?))", (TRIED_BYTES,)
                    )
                finally:
                    self._connection.rollback()
                    self._tried += self._connection.total_changes - before
            except sqlite3.Error:
                return False
        return True

    # What the keeper says ---------------------------------------------------------------

    def log(self, entry: AnyEntry, at: datetime, who: str = "") -> int:
        """Keep what the keeper wrote down; return its number. What else becomes of entries: `records.logbook`."""
        detail = entry.model_dump_json(exclude={"kind"})
        with self.writing("the entry") as connection:
            cursor = connection.execute(
                "INSERT INTO log_entry (at_utc, kind, detail, who, said_utc) VALUES (?, ?, ?, ?, ?)",
                (_utc(at), entry.kind, detail, who, self.now_text()),
            )
            return int(cursor.lastrowid or 0)

    def logged(self, since: datetime) -> list[Logged]:
        """Return the keeper's entries since a time that count, oldest first."""
        where = "WHERE at_utc >= ? AND undone_utc IS NULL ORDER BY at_utc, id"
        return self.each("log_entry", logged_of, where, (_utc(since),))

    def last_dose(self) -> datetime | None:
        where = "WHERE kind = 'dose' AND undone_utc IS NULL ORDER BY at_utc DESC, id DESC"
        rows = self.each("log_entry", logged_of, where, limit=1)
        return rows[0].at if rows else None

    def set_condition(self, name: str, holds: bool) -> None:
        with self.writing("a condition") as connection:
            connection.execute(
                "INSERT INTO condition (name, holds, set_utc) VALUES (?, ?, ?) "
                "ON CONFLICT (name) DO UPDATE SET holds = excluded.holds, set_utc = excluded.set_utc",
                (name, int(holds), _utc(self._clock.now())),
            )

    def conditions(self) -> dict[str, bool]:
        return dict(self.each("condition", lambda row: (str(row["name"]), bool(row["holds"]))))

    # What outlets have sent -------------------------------------------------------------

    def acknowledged(self, outlet: str, kind: str) -> int:
        """Return the number up to which an outlet has been heard; one that is new starts with what is there now."""
        if (outlet, kind) not in self._heard:
            rows = self.each("outlet", _acknowledged, "WHERE name = ? AND kind = ?", (outlet, kind))
            self._heard[outlet, kind] = rows[0] if rows else self._newest(KINDS[kind])
            if not rows:
                self._heard_unkept.add((outlet, kind))
        return self._heard[outlet, kind]

    def acknowledge(self, outlet: str, kind: str, number: int) -> None:
        """Take note that an outlet was heard up to this number; the records get it by `keep_what_waits`.

        A process that dies before lets its next life send some again, under the same numbers.
        """
        self._heard[outlet, kind] = number
        self._heard_unkept.add((outlet, kind))

    def results_after(self, number: int, limit: int) -> list[tuple[int, Determination]]:
        """Return determinations newer than a number, oldest first."""
        return self.each("determination", _numbered, "WHERE id > ? ORDER BY id", (number,), limit)

    def alerts_after(self, number: int, limit: int) -> list[tuple[int, Alert]]:
        """Return alerts newer than a number, oldest first: from memory, where that reaches back so far."""
        found = self._outbox.after(number) if self._owned is not None or self.where == IN_MEMORY else None
        if found is None:
            kept = self.each("alert", alert_of, "WHERE id > ? ORDER BY id", (number,), limit)
            newest = kept[-1][0] if kept else number
            found = [*kept, *(one for one in self._outbox.waiting() if one[0] > newest)]
        return found[:limit]

    def _newest(self, table: str) -> int:
        (newest,) = self.rows(f"SELECT coalesce(max(id), 0) FROM {table}")[0]  # noqa: S608 - a table of ours
        return int(newest)

    # ----------------------------------------------------------------------------------

    @contextmanager
    def writing(self, what: str) -> Iterator[sqlite3.Connection]:
        """One short transaction, durable when it ends; `what` names it in errors."""
        with self._lock:
            try:
                with self._connection:
                    yield self._connection
            except sqlite3.Error as error:
                raise storage_error(error, self.where, f"{what} could not be kept") from error

    @property
    def changes(self) -> int:
        """How many rows this process has changed: where it is as it was, nobody here has written since.

        Raises
        ------
        StorageError
            The records are closed.
        """
        try:
            return int(self._connection.total_changes) - self._tried
        except sqlite3.Error as error:
            raise storage_error(error, self.where, "the records could not be read") from error

    @property
    def changes_by_others(self) -> int:
        """A number that differs once another process has written, `LOOK_AGAIN_S` later at most.

        It is SQLite's `data_version`.

        Raises
        ------
        StorageError
            The records cannot be read.
        """
        now_s = self._clock.monotonic()
        if now_s - self._asked_s >= LOOK_AGAIN_S:
            ((number,),) = self.rows("PRAGMA data_version")
            self._asked_s, self._by_others = now_s, int(number)
        return self._by_others

    def rows(self, query: str, values: tuple[object, ...] = ()) -> list[sqlite3.Row]:
        with self._lock:
            try:
                return self._connection.execute(query, values).fetchall()
            except sqlite3.Error as error:
                raise storage_error(error, self.where, "the records could not be read") from error


def _utc(at: datetime) -> str:
    """Return a time as all records hold it: UTC, ISO 8601, so that text sorts as time."""
    return at.astimezone(UTC).isoformat(timespec="milliseconds")


def _state(row: sqlite3.Row) -> object:
    return json.loads(row["value"])


def _numbered(row: sqlite3.Row) -> tuple[int, Determination]:
    return int(row["id"]), determination_of(row)


def _id(row: sqlite3.Row) -> int:
    return int(row["id"])


def _started(row: sqlite3.Row) -> tuple[datetime, list[str]]:
    return datetime.fromisoformat(row["started_utc"]), json.loads(row["alkalinity_reasons"])


def _acknowledged(row: sqlite3.Row) -> int:
    return int(row["acknowledged"])


def logged_of(row: sqlite3.Row) -> Logged:
    """Return an entry of the log as it was kept."""
    return Logged(
        id=row["id"],
        at=datetime.fromisoformat(row["at_utc"]),
        entry=ENTRY.validate_python({"kind": row["kind"], **json.loads(row["detail"])}),
        who=row["who"],
        said_at=None if row["said_utc"] is None else datetime.fromisoformat(row["said_utc"]),
        corrects=row["corrects"],
        batch=row["batch"],
        undone_at=None if row["undone_utc"] is None else datetime.fromisoformat(row["undone_utc"]),
        undone_by=row["undone_by"] or "",
    )


def alert_of(row: sqlite3.Row) -> tuple[int, Alert]:
    """Return an alert of the records, with its number."""
    at = datetime.fromisoformat(row["at_utc"])
    severity = Severity(row["severity"])
    return int(row["id"]), Alert(at, float(row["at_monotonic_s"]), severity, str(row["code"]), str(row["text"]))


def _insert(table: str, row: dict[str, object]) -> str:
    return f"INSERT INTO {table} ({', '.join(row)}) VALUES ({', '.join(f':{name}' for name in row)})"  # noqa: S608
