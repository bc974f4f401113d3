"""How records are opened: locked for one process, checked, brought up to date, or begun anew beside what is damaged."""

import fcntl
import os
import re
import sqlite3
from contextlib import closing
from functools import cache
from pathlib import Path
from typing import TextIO

from saltern.errors import StorageError
from saltern.ports import Clock
from saltern.records import reserve, row_sums
from saltern.records.aside import put_aside
from saltern.records.bench_state import BenchState
from saltern.records.schema import MIGRATIONS, VERSION
from saltern.records.storage_errors import is_of_the_disk, storage_error
from saltern.records.store import IN_MEMORY, Store

MAGIC = b"SQLite format 3\0"
NO_ROOM = ("full", "disk I/O", "No space")
OF_A_ROW = re.compile(r"(NULL|TEXT|NUMERIC|BLOB|INT|REAL)\w* value in \w+\.\w+$")
OF_AN_INDEX = re.compile(
    r"row \d+ missing from|wrong # of entries in|non-unique entry in|row \d+ values differ from|rowid not at"
)
"""What SQLite's check says of one row, whose place is sound, and of an index, which can be made anew."""

WITH_STATE_FILES = 8
"""The version from which on there are small files beside the records."""


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
        return _open_even_if_full(path, clock, where, found, owned)
    except StorageError:
        if owned is not None:
            owned.close()
        raise


def _open_even_if_full(path: str | Path, clock: Clock, where: str, found: str, owned: TextIO | None) -> Store:
    try:
        store = _open(path, clock, where, found, owned)
    except StorageError as error:
        full = any(sign in error.what for sign in NO_ROOM)
        if where == IN_MEMORY or not full or not reserve.give_back(Path(path)):
            raise
        store = _open(path, clock, where, found, owned)
    store.holds_reserve()
    return store


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
    there = where != IN_MEMORY and Path(path).exists()
    wrong = _wrong_with(Path(path)) if there else []
    indexes = any(OF_AN_INDEX.match(line) for line in wrong)
    if not all(OF_A_ROW.match(line) or OF_AN_INDEX.match(line) for line in wrong):
        found, there = _begin_anew(Path(path), clock), False
    try:
        connection, version = _connected(where, anew=indexes and there)
    except (sqlite3.Error, UnicodeDecodeError) as error:  # SQLite quotes damaged names as they are
        if isinstance(error, sqlite3.Error) and (not there or is_of_the_disk(error)):
            raise storage_error(error, where, "the records cannot be opened") from error
        found, there = _begin_anew(Path(path), clock), False
        connection, version = _connected(where)
    store = Store(connection, clock, where, _boot_id(), found, owned)
    store.look_through()
    beside = None if where == IN_MEMORY else Path(path)
    store.state = BenchState(store, beside, begun=not there, upgraded=there and version < WITH_STATE_FILES)
    return store


def _connected(where: str, *, anew: bool = False) -> tuple[sqlite3.Connection, int]:
    """Return a connection to records of this version, and the version that they were of; indexes may be made anew."""
    connection = sqlite3.connect(where, check_same_thread=False)
    try:
        row_sums.prepare(connection)
        connection.row_factory = sqlite3.Row
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA busy_timeout = 2000")
        version = _migrate(connection, where)
        _compare(connection)
        if anew:
            connection.execute("REINDEX")
        row_sums.sum_what_is_written(connection)
    except (sqlite3.Error, UnicodeDecodeError, StorageError):
        connection.close()
        raise
    return connection, version


def _compare(connection: sqlite3.Connection) -> None:
    """Check whether tables, indexes, views and columns are those of this version: a damaged name is in no row."""
    if _names(connection) != _names_expected():
        raise sqlite3.DatabaseError("tables, indexes and views are not as they should be")


def _names(connection: sqlite3.Connection) -> dict[tuple[str, str], list[str]]:
    """Return the columns of each table and view, by kind and name; of an index its own table."""
    found = {}
    for kind, name, table in connection.execute("SELECT type, name, tbl_name FROM main.sqlite_master").fetchall():
        if kind == "index":
            columns = [table, *(str(row[2]) for row in connection.execute(f"PRAGMA main.index_info({name})"))]
        else:
            columns = [str(row[1]) for row in connection.execute(f"PRAGMA main.table_info({name})")]
        found[kind, name] = columns
    return {place: columns for place, columns in found.items() if not place[1].startswith("sqlite_stat")}


@cache
def _names_expected() -> dict[tuple[str, str], list[str]]:
    with closing(sqlite3.connect(IN_MEMORY)) as model:
        for step in MIGRATIONS:
            model.executescript(step)
        return _names(model)


def _begin_anew(path: Path, clock: Clock) -> str:
    """Move damaged records aside, with what SQLite keeps beside them; return what was done, in words."""
    return f"the records were damaged and are kept as {put_aside(path, clock).name}; new ones are begun"


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
        row_sums.prepare(connection)
        connection.row_factory = sqlite3.Row
        (version,) = connection.execute("PRAGMA user_version").fetchone()
    except sqlite3.Error as error:
        raise storage_error(error, str(path), "the records cannot be read") from error
    if version != VERSION:
        connection.close()
        raise StorageError(
            f"the records are of version {version}, and this is {VERSION}",
            where=str(path),
            remedy="Start the service once, which brings older records up to date; or use a newer Saltern",
        )
    return Store(connection, clock, str(path), "", "")


def _wrong_with(path: Path) -> list[str]:
    """Return what is wrong with the file, in SQLite's words.

    Nothing is written: closing a connection that may write would fold the `-wal` file into what is damaged.
    """
    try:
        with path.open("rb") as file:
            if file.read(len(MAGIC)) != MAGIC:
                return ["file is not a database"]
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as connection:
            said = [str(row[0]) for row in connection.execute("PRAGMA integrity_check(1000)")]
            return [] if said == ["ok"] else said
    except UnicodeDecodeError:
        return ["a name is not a text"]  # SQLite quotes it as it is
    except OSError as error:
        raise StorageError(
            f"the records cannot be opened ({error.strerror})",
            where=str(path),
            remedy="Make the file and its folder readable and writable for the service's user",
        ) from error
    except sqlite3.Error as error:
        if is_of_the_disk(error):
            raise storage_error(error, str(path), "the records cannot be opened") from error
        return [str(error)]


def _migrate(connection: sqlite3.Connection, where: str) -> int:
    """Bring the records to this version; return the one that they were of."""
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    if version > VERSION:
        raise StorageError(
            f"a newer Saltern wrote these records (version {version}; this one knows {VERSION})",
            where=where,
            remedy="Install that version again; records are never taken back",
        )
    for number in range(version, VERSION):
        before, after = row_sums.carried_over(connection, MIGRATIONS[number])
        version_now = f"PRAGMA user_version = {number + 1};"
        connection.executescript(f"BEGIN; {before} {MIGRATIONS[number]} {after} {version_now} COMMIT;")
    return int(version)


def _boot_id() -> str:
    path = Path("/proc/sys/kernel/random/boot_id")
    return path.read_text().strip() if path.exists() else "unknown"
