"""A checksum for every row, so that a damaged byte costs the row it is in and no other.

The writer's connection has a temporary trigger on each table: whatever module writes a row, its sum is written with
it. A row without a sum, as an earlier version or a hand has left it, is judged by its decoding alone.
"""

import re
import sqlite3
import struct
import zlib
from collections.abc import Iterable
from typing import Any

SUM = "checksum"

KEPT_IN_PLACE = frozenset(
    ("determination", "ledger", "latch", "alert", "log_entry", "part", "bench_file", "proof", "bypass", "calibration",
     "calibration_force", "finding")
)  # fmt: skip
"""Tables whose rows are numbered: a damaged one stays where it is, so that no other gets its number. Of the others,
whose rows are written again and again by their key, a damaged one is moved into `set_aside`."""

_KINDS = {kind: b"k" + kind.encode() for kind in ("null", "integer", "real", "text", "blob")}
_INTEGER, _REAL = struct.Struct("<q").pack, struct.Struct("<d").pack


def prepare(connection: sqlite3.Connection) -> None:
    """Let this connection read whatever bytes there are, and compute sums."""
    connection.text_factory = lambda data: data.decode("utf-8", "replace")
    connection.create_function("row_sum", -1, _row_sum, deterministic=True)


def tables(connection: sqlite3.Connection) -> list[str]:
    """Return the tables whose rows have sums."""
    rows = connection.execute("SELECT name FROM main.sqlite_master WHERE type = 'table' ORDER BY name").fetchall()
    return [name for (name,) in rows if any(row[1] == SUM for row in _described(connection, name))]


def sum_what_is_written(connection: sqlite3.Connection) -> None:
    """Let every row that this connection writes have its sum."""
    for table in tables(connection):
        names = _columns(connection, table)
        sets = f"UPDATE {table} SET checksum = {_sum(names)} WHERE rowid = NEW.rowid;"  # noqa: S608 - names of ours
        connection.executescript(
            f"CREATE TEMP TRIGGER {table}_inserted AFTER INSERT ON main.{table} BEGIN {sets} END;"
            f"CREATE TEMP TRIGGER {table}_updated AFTER UPDATE OF {', '.join(names)} ON main.{table} BEGIN {sets} END;"
        )


def sound_column(connection: sqlite3.Connection, table: str) -> str:
    """Return an SQL expression: 1 where a row is as it was written, or has no sum."""
    return f"(checksum IS NULL OR checksum = {_sum(_columns(connection, table))})"


def carried_over(connection: sqlite3.Connection, step: str) -> tuple[str, str]:
    """Return SQL to run before and after a step that gives tables columns: what was sound gets the sum of all of them.

    A row that is not as it was written keeps its old sum, and so does not become sound by an upgrade.
    """
    before, after = "", ""
    for table in [name for name in tables(connection) if f"ALTER TABLE {name} ADD COLUMN " in step]:
        names = _columns(connection, table)
        new = [*names, *re.findall(rf"ALTER TABLE {table} ADD COLUMN (\w+)", step)]
        before += (
            f"CREATE TEMP TABLE sound_{table} AS SELECT rowid AS n FROM main.{table} WHERE checksum = {_sum(names)};"  # noqa: S608
        )
        after += (
            f"UPDATE main.{table} SET checksum = {_sum(new)} WHERE rowid IN (SELECT n FROM sound_{table});"  # noqa: S608
            f"DROP TABLE temp.sound_{table};"
        )
    return before, after


def as_found(connection: sqlite3.Connection, table: str) -> str:
    """Return an SQL expression: all columns of a row as SQL literals."""
    return " || ', ' || ".join(f"quote({name})" for name in [*_columns(connection, table), "checksum"])


def _columns(connection: sqlite3.Connection, table: str) -> list[str]:
    return [row[1] for row in _described(connection, table) if row[1] != SUM]


def _described(connection: sqlite3.Connection, table: str) -> list[tuple[Any, ...]]:
    return connection.execute(f"PRAGMA main.table_info({table})").fetchall()


def _sum(names: Iterable[str]) -> str:
    """Return the call of `row_sum`; text goes as bytes, which no damage can make unreadable."""
    each = ", ".join(f"typeof({n}), iif(typeof({n}) = 'text', CAST({n} AS BLOB), {n})" for n in names)
    return f"row_sum({each})"


def _row_sum(*values: object) -> int:
    """Return the CRC of all values, each with its kind before it, that none can be taken for another."""
    parts = []
    for value in values:
        if isinstance(value, str):  # of what kind the next value is
            parts.append(_KINDS.get(value) or b"k" + value.encode())
        elif value is None:
            parts.append(b"n")
        elif isinstance(value, bytes):
            parts += b"b", _INTEGER(len(value)), value
        elif isinstance(value, int):
            parts += b"i", _INTEGER(value)
        else:
            parts += b"r", _REAL(value)
    return zlib.crc32(b"".join(parts))
