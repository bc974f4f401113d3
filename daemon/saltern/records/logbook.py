"""What becomes of the keeper's entries beside being written down: listed, undone, corrected, kept as one batch."""

from collections.abc import Sequence
from datetime import UTC, datetime

from saltern.errors import StorageError
from saltern.model.logbook import AnyEntry, Logged
from saltern.records.store import Store, logged_of


def entries(store: Store, limit: int) -> list[Logged]:
    """Return the newest entries by when they happened, oldest first; those that were undone are among them."""
    return store.each("log_entry", logged_of, "ORDER BY at_utc DESC, id DESC", limit=limit)[::-1]


def everything(store: Store, since: datetime) -> list[Logged]:
    """Return all entries since a time, oldest first; those that were undone are among them."""
    return store.each("log_entry", logged_of, "WHERE at_utc >= ? ORDER BY at_utc, id", (_utc(since),))


def entry(store: Store, number: int) -> Logged:
    """Return one entry.

    Raises
    ------
    StorageError
        There is none of this number.
    """
    found = store.each("log_entry", logged_of, "WHERE id = ?", (number,))
    if not found:
        raise StorageError(f"the log has no entry {number}", where="log", remedy="See: saltern log list")
    return found[0]


def undo(store: Store, number: int, who: str, at: datetime) -> list[int]:
    """Mark an entry as undone, with all others of its import; return the numbers that do not count any more.

    Raises
    ------
    StorageError
        There is none of this number, or it is undone already.
    """
    one = _counting(store, number)
    with store.writing("the mark") as connection:
        wanted = "id = ?" if one.batch is None else "batch = ?"
        rows = connection.execute(
            f"UPDATE log_entry SET undone_utc = ?, undone_by = ? WHERE {wanted} AND undone_utc IS NULL RETURNING id",  # noqa: S608 - one of two texts of ours
            (_utc(at), who, number if one.batch is None else one.batch),
        ).fetchall()
    return sorted(int(row[0]) for row in rows)


def correct(store: Store, number: int, by: AnyEntry, happened_at: datetime, who: str, at: datetime) -> int:
    """Put another entry in the place of one, which is marked as undone; return its number. It stays in its import.

    Raises
    ------
    StorageError
        There is none of this number, or it is undone already.
    """
    was = _counting(store, number)
    with store.writing("the correction") as connection:
        cursor = connection.execute(
            "INSERT INTO log_entry (at_utc, kind, detail, who, said_utc, corrects, batch) VALUES (?, ?, ?, ?, ?, ?, ?)",
            (_utc(happened_at), by.kind, by.model_dump_json(exclude={"kind"}), who, _utc(at), number, was.batch),
        )
        connection.execute("UPDATE log_entry SET undone_utc = ?, undone_by = ? WHERE id = ?", (_utc(at), who, number))
        return int(cursor.lastrowid or 0)


def keep_batch(
    store: Store, batch: Sequence[tuple[datetime, AnyEntry]], who: str, at: datetime, into: int | None = None
) -> list[int]:
    """Keep entries as one, all of them or none; return their numbers.

    The first one's number is that of the batch, unless they go on `into` an earlier one.
    """
    numbers: list[int] = []
    with store.writing("the entries") as connection:
        for happened_at, one in batch:
            cursor = connection.execute(
                "INSERT INTO log_entry (at_utc, kind, detail, who, said_utc) VALUES (?, ?, ?, ?, ?)",
                (_utc(happened_at), one.kind, one.model_dump_json(exclude={"kind"}), who, _utc(at)),
            )
            numbers.append(int(cursor.lastrowid or 0))
        connection.executemany(
            "UPDATE log_entry SET batch = ? WHERE id = ?", [(into or numbers[0], number) for number in numbers]
        )
    return numbers


def _counting(store: Store, number: int) -> Logged:
    one = entry(store, number)
    if one.undone_at is not None:
        raise StorageError(
            f"entry {number} no longer counts: {one.undone_by or 'somebody'} undid it",
            where="log",
            remedy="Log it again, if it was right after all",
        )
    return one


def _utc(at: datetime) -> str:
    return at.astimezone(UTC).isoformat(timespec="milliseconds")
