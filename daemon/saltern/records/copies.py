"""The nightly copy of the records on another disk: written, synced, checked as it lies there, and only then named.

The copy before it is kept too: a night in which the records were damaged unseen must not cost the last good one.
"""

import os
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from saltern.errors import StorageError
from saltern.records.backup import back_up
from saltern.records.storage_errors import storage_error
from saltern.records.store import Store
from saltern.records.upkeep import keep_state, state

STATE = "copied"


@dataclass(frozen=True)
class Copied:
    """The newest copy that passed its check."""

    at: datetime
    to: str
    determinations: int


def copy_records(records: Path, folder: Path, bench: str, now: datetime) -> Copied:
    """Copy the records into a folder of another disk, as `BENCH.sqlite`; the one before becomes `BENCH.before.sqlite`.

    Raises
    ------
    StorageError
        The folder is not there, lies on the disk of the records, or the copy cannot be written or is not sound.
    """
    to, fresh = folder / f"{bench}.sqlite", folder / f".{bench}.fresh.sqlite"
    try:
        _of_another_disk(folder, records)
        count = back_up(records, fresh)
        _synced(fresh)
        _checked(fresh, count)
        if to.exists():
            to.replace(folder / f"{bench}.before.sqlite")
        fresh.replace(to)
        _synced(folder)
    except StorageError:  # which is an OSError too
        raise
    except OSError as error:
        raise StorageError(
            f"the copy could not be written ({error.strerror})",
            where=str(folder),
            remedy="Check that disk; an installed service needs ReadWritePaths= for the folder (systemctl edit)",
        ) from error
    return Copied(now, str(to), count)


def keep_copied(store: Store, copied: Copied) -> None:
    """Keep that the records were copied."""
    words = {
        "at_utc": copied.at.isoformat(timespec="seconds"),
        "to": copied.to,
        "determinations": copied.determinations,
    }
    keep_state(store, STATE, words, copied.at)


def copied(store: Store) -> Copied | None:
    """Return the newest copy, as far as the records know; None before the first."""
    words = state(store, STATE)
    if not isinstance(words, dict):
        return None
    return Copied(datetime.fromisoformat(words["at_utc"]), str(words["to"]), int(words["determinations"]))


def _of_another_disk(folder: Path, records: Path) -> None:
    """Check whether the folder is there, and on another disk than the records.

    Raises
    ------
    StorageError
        It is not.
    """
    if not folder.is_dir():
        raise StorageError(
            "the folder for copies is not there", where=str(folder), remedy="Plug its disk in, and mount it"
        )
    if folder.stat().st_dev == records.stat().st_dev:
        raise StorageError(
            "the folder for copies is on the disk of the records: one dead card would take both",
            where=str(folder),
            remedy="Mount the other disk there, or give a folder of another one in records.copy_to",
        )


def _synced(path: Path) -> None:
    """Return when it is on the disk."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _checked(path: Path, count: int) -> None:
    """Open it as `restore` would, and check the whole of it.

    Raises
    ------
    StorageError
        It is not sound.
    """
    try:
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as copy:
            (verdict,) = copy.execute("PRAGMA integrity_check").fetchone()
            (found,) = copy.execute("SELECT count(*) FROM determination").fetchone()
    except sqlite3.Error as error:
        raise storage_error(error, str(path), "the copy cannot be read") from error
    if verdict != "ok" or found != count:
        raise StorageError(f"the copy is not sound: {verdict}", where=str(path), remedy="Check that disk")
