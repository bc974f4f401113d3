"""A copy of the records, taken while the service runs, checked before it is called a backup."""

import sqlite3
from contextlib import closing
from pathlib import Path

from saltern.errors import StorageError
from saltern.records.store import storage_error


def back_up(records: Path, to: Path) -> int:
    """Copy the records; return how many determinations the copy holds.

    SQLite's own backup reads a consistent state beside a running writer. The copy is written under another name,
    checked whole, and only then given its own: a backup that is there is a good one. To restore it, stop the service
    and put it where the records are.

    Raises
    ------
    StorageError
        There are no records, the copy cannot be written, or it does not pass its check.
    """
    if not records.is_file():
        raise StorageError("there are no records here", where=str(records), remedy="Give the bench file or --db")
    partial = to.with_name(f"{to.name}.partial")
    try:
        partial.unlink(missing_ok=True)
        source = sqlite3.connect(f"{records.absolute().as_uri()}?mode=ro", uri=True)
        with closing(source), closing(sqlite3.connect(partial)) as copy:
            source.backup(copy)
            copy.execute("PRAGMA journal_mode = DELETE")
            (verdict,) = copy.execute("PRAGMA integrity_check").fetchone()
            (count,) = copy.execute("SELECT count(*) FROM determination").fetchone()
    except sqlite3.Error as error:
        partial.unlink(missing_ok=True)
        raise storage_error(error, str(to), "the backup could not be written") from error
    except OSError as error:
        raise StorageError(
            f"the backup could not be written ({error.strerror})",
            where=str(to),
            remedy="Look at the folder and its disk",
        ) from error
    if verdict != "ok":
        partial.unlink(missing_ok=True)
        raise StorageError(
            f"the copy does not pass its check: {verdict}", where=str(to), remedy="Keep older backups; look at the disk"
        )
    partial.replace(to)
    return int(count)
