"""The memory card of a simulated computer: it stalls, and it damages what it holds. The store knows nothing of it."""

import sqlite3
import struct
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from saltern.clock import VirtualClock
from saltern.errors import ConfigError
from saltern.records.schema import MIGRATIONS
from saltern.records.store import Store

STALL_S = 5.0
TABLE, COLUMN = "determination", "curve"
FLIPPED = 0x15


def stall(store: Store, clock: VirtualClock, size_s: float | None, *, lasting: bool) -> Callable[[], None]:
    """Let writes wait for the card: until the returned function is called, or the next write alone."""
    takes_s = STALL_S if size_s is None else size_s
    prompt = store.writing

    def end() -> None:
        store.writing = prompt  # type: ignore[method-assign]

    @contextmanager
    def slow(what: str) -> Iterator[sqlite3.Connection]:
        if not lasting:
            end()
        clock.sleep(takes_s)
        with prompt(what) as connection:
            yield connection

    store.writing = slow  # type: ignore[method-assign]
    return end


def damage(records: Path, table: str | None, column: str | None) -> None:
    """Change one byte of a value of a table's newest row, in the file itself."""
    table, column = table or TABLE, column or COLUMN
    with closing(sqlite3.connect(records)) as connection, connection:
        newest = connection.execute(
            f"SELECT rowid, {column} FROM {table} WHERE {column} IS NOT NULL ORDER BY rowid DESC LIMIT 1"  # noqa: S608
        ).fetchone()
        if newest is not None:
            number, value = newest
            target = "CAST(? AS TEXT)" if isinstance(value, str) else "?"
            connection.execute(
                f"UPDATE {table} SET {column} = {target} WHERE rowid = ?",  # noqa: S608 - known words
                (_flipped(value), number),
            )


def _flipped(value: bytes | str | int | float) -> bytes | int | float:
    """Return a value with some bits of one byte changed: the middle one of text, the last but two of a number."""
    if isinstance(value, int):
        return value ^ FLIPPED
    if isinstance(value, float):
        data = bytearray(struct.pack(">d", value))
        data[2] ^= FLIPPED
        return float(struct.unpack(">d", data)[0])
    data = bytearray(value.encode() if isinstance(value, str) else value)
    if data:
        data[len(data) // 2] ^= FLIPPED
    return bytes(data)


def unknown_record(kind: str, table: str | None, column: str | None) -> list[ConfigError]:
    """Return what is wrong with a damage that a scenario asks for: a table or a column that no records have."""
    if kind != "record-damaged":
        return []
    table, column = table or TABLE, column or COLUMN
    with closing(sqlite3.connect(":memory:")) as connection:
        for step in MIGRATIONS:
            connection.executescript(step)
        columns = [row[1] for row in connection.execute(f"PRAGMA table_info({table})")]
    if column in columns:
        return []
    what = f"the records have no column {column} in a table {table}"
    choices = ", ".join(columns) if columns else "a table of the records"
    return [ConfigError(what, where="record-damaged", remedy=f"Choose of: {choices}")]
