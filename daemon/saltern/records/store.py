"""The store: one writer, short transactions, each durable when it returns (WAL, synchronous FULL)."""

import fcntl
import json
import os
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import TextIO

import numpy as np
import structlog
from pydantic import ValidationError

from saltern.alerts import Alert, Severity
from saltern.bench.ledger import Interval, Ledger
from saltern.chemistry.endpoint.curve import Co2, Conditions, EndPoint, Estimate, Finding, Medium, Priors
from saltern.errors import StorageError
from saltern.ports import Clock
from saltern.procedures.outcome import Determination, Quantity, Source
from saltern.quality.verdict import Reason, Verdict
from saltern.records import blobs
from saltern.records.keeper import ENTRY, Dose, Logged, OtherTest, Remark, WaterChange
from saltern.records.schema import MIGRATIONS, VERSION

LEDGERS_KEPT = 5000
IN_MEMORY = ":memory:"
KINDS = {"result": "determination", "alert": "alert"}


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
        self._where = where
        self._boot_id = boot_id
        self._lock = threading.Lock()
        self._owned = owned
        self.found = found

    def close(self) -> None:
        with self._lock:
            self._connection.close()
            if self._owned is not None:
                self._owned.close()

    # Determinations -----------------------------------------------------------------

    def keep(self, d: Determination) -> int:
        """Keep a determination; return its number. It is no draft any more."""
        row = self._row(d)
        with self.writing("a determination") as connection:
            cursor = connection.execute(_insert("determination", row), row)
            connection.execute("DELETE FROM draft")
            return int(cursor.lastrowid or 0)

    def keep_draft(self, d: Determination) -> None:
        """Keep the determination under way as far as it has come: what is found of it after a death."""
        row = self._row(d)
        with self.writing("a draft") as connection:
            connection.execute("DELETE FROM draft")
            connection.execute(_insert("draft", row), row)

    def draft(self) -> Determination | None:
        """Return the determination that was under way when the last process ended without a word."""
        rows = self.rows("SELECT * FROM draft")
        return _determination(rows[0]) if rows else None

    def _row(self, d: Determination) -> dict[str, object]:
        return {
            "source": d.source.value,
            "started_utc": d.started_at.isoformat(timespec="milliseconds"),
            "started_monotonic_s": d.started_s,
            "finished_monotonic_s": d.finished_s,
            "ph_read_monotonic_s": d.ph_read_s,
            "boot_id": self._boot_id,
            "method": d.method,
            **_quantity_columns("alkalinity", "alkalinity_umol_kg", "alkalinity_u_umol_kg", d.alkalinity),
            **_quantity_columns("ph_total", "ph_total", "ph_total_u", d.ph_total),
            **_quantity_columns("salinity", "salinity", "salinity_u", d.salinity),
            "ph_nbs": d.ph_nbs,
            "temperature_c": d.temperature_c,
            "sample_g": d.sample_g,
            "titrant_ml": d.titrant_ml,
            "curve": None if d.curve is None else blobs.pack_curve(d.curve),
            "readings": blobs.pack_readings(d.readings),
            "conditions": None if d.conditions is None else json.dumps(asdict(d.conditions)),
            "priors": None if d.priors is None else json.dumps(asdict(d.priors)),
            "end_point": None if d.end_point is None else _end_point_json(d.end_point),
            "budget_umol_kg": json.dumps(d.budget_umol_kg),
            "calibrations": json.dumps(d.calibrations),
            "calibrated": json.dumps(d.calibrated),
            "remarks": json.dumps(list(d.remarks)),
        }

    def next_id(self) -> int:
        """Return the number that the next determination will have."""
        (last,) = self.rows("SELECT coalesce(max(id), 0) FROM determination")[0]
        return int(last) + 1

    def determination(self, number: int) -> Determination:
        """Return one determination.

        Raises
        ------
        StorageError
            There is none of this number.
        """
        rows = self.rows("SELECT * FROM determination WHERE id = ?", (number,))
        if not rows:
            last = self.next_id() - 1
            raise StorageError(
                f"there is no determination {number}",
                where=self._where,
                remedy=f"The newest is {last}" if last else "None has been kept yet",
            )
        return _determination(rows[0])

    def results(self, limit: int) -> list[tuple[int, Determination]]:
        """Return the newest determinations with their numbers, newest first."""
        rows = self.rows("SELECT * FROM determination ORDER BY id DESC LIMIT ?", (limit,))
        return [(int(row["id"]), _determination(row)) for row in rows]

    def believed(self, source: Source, limit: int) -> list[Determination]:
        """Return the newest determinations whose alkalinity was believed, oldest first."""
        rows = self.rows(
            "SELECT * FROM determination WHERE source = ? AND alkalinity_verdict IN ('accepted', 'provisional') "
            "ORDER BY id DESC LIMIT ?",
            (source.value, limit),
        )
        return [_determination(row) for row in reversed(rows)]

    def last_started(self, source: Source) -> datetime | None:
        rows = self.rows(
            "SELECT started_utc FROM determination WHERE source = ? ORDER BY id DESC LIMIT 1", (source.value,)
        )
        return datetime.fromisoformat(rows[0]["started_utc"]) if rows else None

    def last_met(self, source: Source) -> datetime | None:
        """Return when the last determination began that counts as one: a first interrupted one does not.

        So a slot that a power cut took is caught up once. One that is interrupted again counts: it may be the cause.
        """
        rows = self.rows(
            "SELECT started_utc, alkalinity_reasons FROM determination WHERE source = ? ORDER BY id DESC LIMIT 2",
            (source.value,),
        )
        interrupted = [json.loads(row["alkalinity_reasons"]) == [Reason.INTERRUPTED.value] for row in rows]
        if interrupted[:1] == [True] and interrupted[1:] != [True]:
            rows = rows[1:]
        return datetime.fromisoformat(rows[0]["started_utc"]) if rows else None

    # The bench's books ----------------------------------------------------------------

    def load_ledger(self) -> Ledger | None:
        rows = self.rows("SELECT * FROM ledger ORDER BY id DESC LIMIT 1")
        if not rows:
            return None
        row = rows[0]
        return Ledger(
            Interval(row["vessel_low_ml"], row["vessel_high_ml"]),
            Interval(row["titrant_low_ml"], row["titrant_high_ml"]),
            Interval(row["waste_low_ml"], row["waste_high_ml"]),
            row["titrant_recent_ml"],
            row["titrant_run_ml"],
            row["stage"],
        )

    def commit_ledger(self, ledger: Ledger, reason: str) -> None:
        with self.writing("the ledger") as connection:
            cursor = connection.execute(
                "INSERT INTO ledger (at_utc, reason, stage, vessel_low_ml, vessel_high_ml, titrant_low_ml, "
                "titrant_high_ml, waste_low_ml, waste_high_ml, titrant_recent_ml, titrant_run_ml) "
                "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    self._clock.now().isoformat(timespec="milliseconds"),
                    reason,
                    ledger.stage,
                    ledger.vessel_ml.low,
                    ledger.vessel_ml.high,
                    ledger.titrant_left_ml.low,
                    ledger.titrant_left_ml.high,
                    ledger.waste_ml.low,
                    ledger.waste_ml.high,
                    ledger.titrant_recent_ml,
                    ledger.titrant_run_ml,
                ),
            )
            connection.execute("DELETE FROM ledger WHERE id <= ?", ((cursor.lastrowid or 0) - LEDGERS_KEPT,))

    def load_latches(self) -> list[str]:
        return [row["interlock"] for row in self.rows("SELECT interlock FROM latch WHERE cleared_utc IS NULL")]

    def set_latch(self, name: str) -> None:
        with self.writing("a trip") as connection:
            connection.execute(
                "INSERT INTO latch (interlock, set_utc) VALUES (?, ?)",
                (name, self._clock.now().isoformat(timespec="milliseconds")),
            )

    def clear_latch(self, name: str, operator: str) -> None:
        with self.writing("a reset") as connection:
            connection.execute(
                "UPDATE latch SET cleared_utc = ?, cleared_by = ? WHERE interlock = ? AND cleared_utc IS NULL",
                (self._clock.now().isoformat(timespec="milliseconds"), operator, name),
            )

    def keep_alert(self, alert: Alert) -> None:
        with self.writing("an alert") as connection:
            connection.execute(
                "INSERT INTO alert (at_utc, at_monotonic_s, severity, code, text) VALUES (?, ?, ?, ?, ?)",
                (alert.at.isoformat(timespec="milliseconds"), alert.at_s, int(alert.severity), alert.code, alert.text),
            )

    # What the keeper says ---------------------------------------------------------------

    def log(self, entry: Dose | WaterChange | OtherTest | Remark, at: datetime) -> int:
        """Keep what the keeper wrote down; return its number."""
        detail = entry.model_dump_json(exclude={"kind"})
        with self.writing("the entry") as connection:
            cursor = connection.execute(
                "INSERT INTO log_entry (at_utc, kind, detail) VALUES (?, ?, ?)", (_utc(at), entry.kind, detail)
            )
            return int(cursor.lastrowid or 0)

    def logged(self, since: datetime) -> list[Logged]:
        """Return the keeper's entries since a time, oldest first."""
        rows = self.rows("SELECT * FROM log_entry WHERE at_utc >= ? ORDER BY at_utc, id", (_utc(since),))
        return [logged for row in rows if (logged := _logged(row)) is not None]

    def last_dose(self) -> datetime | None:
        (newest,) = self.rows("SELECT max(at_utc) FROM log_entry WHERE kind = 'dose'")[0]
        return None if newest is None else datetime.fromisoformat(newest)

    def set_condition(self, name: str, holds: bool) -> None:
        with self.writing("a condition") as connection:
            connection.execute(
                "INSERT INTO condition (name, holds, set_utc) VALUES (?, ?, ?) "
                "ON CONFLICT (name) DO UPDATE SET holds = excluded.holds, set_utc = excluded.set_utc",
                (name, int(holds), _utc(self._clock.now())),
            )

    def conditions(self) -> dict[str, bool]:
        return {row["name"]: bool(row["holds"]) for row in self.rows("SELECT name, holds FROM condition")}

    # What outlets have sent -------------------------------------------------------------

    def acknowledged(self, outlet: str, kind: str) -> int:
        """Return the number up to which an outlet has been heard; one that is new starts with what is there now."""
        rows = self.rows("SELECT acknowledged FROM outlet WHERE name = ? AND kind = ?", (outlet, kind))
        if rows:
            return int(rows[0]["acknowledged"])
        (newest,) = self.rows(f"SELECT coalesce(max(id), 0) FROM {KINDS[kind]}")[0]  # noqa: S608 - a table of ours
        self.acknowledge(outlet, kind, int(newest))
        return int(newest)

    def acknowledge(self, outlet: str, kind: str, number: int) -> None:
        """Keep that an outlet was heard up to this number."""
        with self.writing("what was sent") as connection:
            connection.execute(
                "INSERT INTO outlet (name, kind, acknowledged) VALUES (?, ?, ?) "
                "ON CONFLICT (name, kind) DO UPDATE SET acknowledged = excluded.acknowledged",
                (outlet, kind, number),
            )

    def results_after(self, number: int, limit: int) -> list[tuple[int, Determination]]:
        """Return determinations newer than a number, oldest first."""
        rows = self.rows("SELECT * FROM determination WHERE id > ? ORDER BY id LIMIT ?", (number, limit))
        return [(int(row["id"]), _determination(row)) for row in rows]

    def alerts_after(self, number: int, limit: int) -> list[tuple[int, Alert]]:
        """Return alerts newer than a number, oldest first."""
        rows = self.rows("SELECT * FROM alert WHERE id > ? ORDER BY id LIMIT ?", (number, limit))
        return [
            (
                int(row["id"]),
                Alert(
                    datetime.fromisoformat(row["at_utc"]),
                    row["at_monotonic_s"],
                    Severity(row["severity"]),
                    row["code"],
                    row["text"],
                ),
            )
            for row in rows
        ]

    # ----------------------------------------------------------------------------------

    @contextmanager
    def writing(self, what: str) -> Iterator[sqlite3.Connection]:
        """One short transaction, durable when it ends; `what` names it in errors."""
        with self._lock:
            try:
                with self._connection:
                    yield self._connection
            except sqlite3.Error as error:
                raise storage_error(error, self._where, f"{what} could not be kept") from error

    def rows(self, query: str, values: tuple[object, ...] = ()) -> list[sqlite3.Row]:
        with self._lock:
            try:
                return self._connection.execute(query, values).fetchall()
            except sqlite3.Error as error:
                raise storage_error(error, self._where, "the records could not be read") from error


def open_store(path: str | Path, clock: Clock) -> Store:
    """Open the store for writing, creating or migrating it.

    A file that fails its check is moved aside, never deleted, and a fresh one is begun; `Store.found` says so.

    Raises
    ------
    StorageError
        The file cannot be opened or written, another process has it, or a newer Saltern wrote it.
    """
    where, found = str(path), ""
    owned = None if where == IN_MEMORY else _own(Path(path))
    try:
        return _open(path, clock, where, found, owned)
    except StorageError:
        if owned is not None:
            owned.close()
        raise


def _own(path: Path) -> TextIO:
    """Lock the records for this process: two services on one bench would each count half of what it holds."""
    try:
        owned = path.with_name(f"{path.name}.lock").open("w")
    except OSError as error:
        raise StorageError(
            f"the records cannot be locked ({error.strerror})",
            where=str(path),
            remedy="Check the path and that its folder exists and is writable",
        ) from error
    try:
        fcntl.flock(owned, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        owned.close()
        raise StorageError(
            "another Saltern is running with these records",
            where=str(path),
            remedy="Stop that one first, or give this bench records of its own",
        ) from error
    return owned


def _open(path: str | Path, clock: Clock, where: str, found: str, owned: TextIO | None) -> Store:
    if where != IN_MEMORY and Path(path).exists() and not _is_sound(Path(path)):
        aside = Path(path).with_name(f"{Path(path).name}.damaged-{clock.now():%Y%m%dT%H%M%S}")
        Path(path).rename(aside)
        for tail in ("-wal", "-shm"):
            Path(where + tail).unlink(missing_ok=True)
        found = f"the records were damaged and are kept as {aside.name}; new ones are begun"
    try:
        connection = sqlite3.connect(where, check_same_thread=False)
        connection.row_factory = sqlite3.Row
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA busy_timeout = 2000")
        _migrate(connection, where)
    except sqlite3.Error as error:
        raise storage_error(error, where, "the records cannot be opened") from error
    return Store(connection, clock, where, _boot_id(), found, owned)


def open_for_reading(path: str | Path, clock: Clock) -> Store:
    """Open existing records without writing to them.

    Raises
    ------
    StorageError
        There are none at this path, or they cannot be read.
    """
    if not os.path.isfile(path):  # false also where its folder may not be entered
        raise StorageError(
            "there are no records here that you may read",
            where=str(path),
            remedy="Give the path with --db, or run a determination first",
        )
    try:
        connection = sqlite3.connect(f"{Path(path).absolute().as_uri()}?mode=ro", uri=True, check_same_thread=False)
        connection.row_factory = sqlite3.Row
        (version,) = connection.execute("PRAGMA user_version").fetchone()
    except sqlite3.Error as error:
        raise storage_error(error, str(path), "the records cannot be read") from error
    if version != VERSION:
        raise StorageError(
            f"the records are of version {version}, and this is {VERSION}",
            where=str(path),
            remedy="Start the service once, which brings older records up to date; or use a newer Saltern",
        )
    return Store(connection, clock, str(path), "", "")


def storage_error(error: sqlite3.Error, where: str, what: str) -> StorageError:
    """Say what SQLite meant, and what to do about it."""
    text = str(error)
    remedies = {
        "full": "Make room on the disk; nothing that was kept is lost",
        "readonly": "Make the file and its folder writable for the service's user",
        "read-only": "Make the file and its folder writable for the service's user",
        "locked": "Another process writes to it; stop that one",
        "malformed": "Stop the service; the next start moves the file aside. Restore from a backup",
        "not a database": "Give the path of Saltern's records",
        "unable to open": "Check the path and that its folder exists and is writable",
    }
    remedy = next((advice for sign, advice in remedies.items() if sign in text), "Look at the disk and its messages")
    return StorageError(f"{what} ({text})", where=where, remedy=remedy)


def _is_sound(path: Path) -> bool:
    try:
        connection = sqlite3.connect(path)
        try:
            return bool(connection.execute("PRAGMA quick_check").fetchone()[0] == "ok")
        finally:
            connection.close()
    except sqlite3.DatabaseError as error:
        if isinstance(error, sqlite3.OperationalError):
            raise storage_error(error, str(path), "the records cannot be opened") from error
        return False


def _logged(row: sqlite3.Row) -> Logged | None:
    """Return an entry of the keeper's, or None for one that an earlier version kept though no tank could hold it.

    Such an entry stays in the records and their export; nothing is computed from it.
    """
    try:
        entry = ENTRY.validate_python({"kind": row["kind"], **json.loads(row["detail"])})
    except ValidationError as error:
        structlog.get_logger("saltern").warning("log_entry.not_used", id=row["id"], what=error.errors()[0]["msg"])
        return None
    return Logged(id=row["id"], at=datetime.fromisoformat(row["at_utc"]), entry=entry)


def _utc(at: datetime) -> str:
    """Return a time as all records hold it: UTC, ISO 8601, so that text sorts as time."""
    return at.astimezone(UTC).isoformat(timespec="milliseconds")


def _migrate(connection: sqlite3.Connection, where: str) -> None:
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    if version > VERSION:
        connection.close()
        raise StorageError(
            f"a newer Saltern wrote these records (version {version}; this one knows {VERSION})",
            where=where,
            remedy="Install that version again; records are never taken back",
        )
    for number in range(version, VERSION):
        connection.executescript(f"BEGIN; {MIGRATIONS[number]} PRAGMA user_version = {number + 1}; COMMIT;")


def _boot_id() -> str:
    path = Path("/proc/sys/kernel/random/boot_id")
    return path.read_text().strip() if path.exists() else "unknown"


def _insert(table: str, row: dict[str, object]) -> str:
    return f"INSERT INTO {table} ({', '.join(row)}) VALUES ({', '.join(f':{name}' for name in row)})"  # noqa: S608


def _quantity_columns(name: str, value: str, u: str, q: Quantity) -> dict[str, object]:
    return {
        value: q.value,
        u: q.u,
        f"{name}_verdict": q.verdict.value,
        f"{name}_reasons": json.dumps([reason.value for reason in q.reasons]),
    }


def _end_point_json(end_point: EndPoint) -> str:
    table = asdict(end_point)
    table["standardised_residuals"] = [float(r) for r in end_point.standardised_residuals]
    return json.dumps(table)


def _estimate(table: dict[str, float] | None) -> Estimate | None:
    return None if table is None else Estimate(**table)


def _conditions(text: str) -> Conditions:
    table = json.loads(text)
    for name in ("phosphate_umol_kg", "silicate_umol_kg", "borate_ratio"):
        table[name] = Estimate(**table[name])
    table["medium"], table["co2"] = Medium(table["medium"]), Co2(table["co2"])
    return Conditions(**table)


def _priors(text: str) -> Priors:
    table = json.loads(text)
    for name in ("e0_mv", "slope", "alkalinity_umol_kg", "carbon_umol_kg", "co2_loss_per_min"):
        table[name] = _estimate(table.get(name))
    return Priors(**table)


def _end_point(text: str) -> EndPoint:
    table = json.loads(text)
    table["carbon_umol_kg"] = _estimate(table["carbon_umol_kg"])
    table["co2_loss_per_min"] = _estimate(table.get("co2_loss_per_min"))
    table["flags"] = tuple(table["flags"])
    table["findings"] = tuple(Finding(**finding) for finding in table.get("findings", ()))
    table["standardised_residuals"] = np.array(table["standardised_residuals"], dtype=float)
    return EndPoint(**table)


def _determination(row: sqlite3.Row) -> Determination:
    def quantity(name: str, value: str, u: str) -> Quantity:
        reasons = tuple(Reason(reason) for reason in json.loads(row[f"{name}_reasons"]))
        return Quantity(row[value], row[u], Verdict(row[f"{name}_verdict"]), reasons)

    return Determination(
        source=Source(row["source"]),
        started_at=datetime.fromisoformat(row["started_utc"]),
        started_s=row["started_monotonic_s"],
        finished_s=row["finished_monotonic_s"],
        ph_read_s=row["ph_read_monotonic_s"],
        method=row["method"],
        alkalinity=quantity("alkalinity", "alkalinity_umol_kg", "alkalinity_u_umol_kg"),
        ph_total=quantity("ph_total", "ph_total", "ph_total_u"),
        salinity=quantity("salinity", "salinity", "salinity_u"),
        ph_nbs=row["ph_nbs"],
        temperature_c=row["temperature_c"],
        sample_g=row["sample_g"],
        titrant_ml=row["titrant_ml"],
        curve=None if row["curve"] is None else blobs.unpack_curve(row["curve"]),
        readings=blobs.unpack_readings(row["readings"]),
        conditions=None if row["conditions"] is None else _conditions(row["conditions"]),
        priors=None if row["priors"] is None else _priors(row["priors"]),
        end_point=None if row["end_point"] is None else _end_point(row["end_point"]),
        budget_umol_kg=json.loads(row["budget_umol_kg"]),
        calibrations=json.loads(row["calibrations"]),
        calibrated=json.loads(row["calibrated"]),
        remarks=tuple(json.loads(row["remarks"])),
    )
