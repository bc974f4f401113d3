"""A copy of the records, taken while the service runs, checked before it is called a backup."""

import os
import sqlite3
import tomllib
from contextlib import closing
from pathlib import Path
from shutil import copyfile

from saltern.config.loading import bench_from
from saltern.config.paths import records_path
from saltern.errors import ConfigError, StorageError
from saltern.records.bench_state import worst_beside
from saltern.records.beside import LEDGER
from saltern.records.storage_errors import storage_error


def back_up(records: Path, to: Path) -> int:
    """Copy the records; return how many determinations the copy holds.

    Records hold the bench files, calibrations and all, with which the service ran: a backup is the whole bench.
    SQLite's own backup reads a consistent state beside a running writer. The copy is written under another name,
    checked whole, and only then given its own: a backup that is there is a good one.

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
            remedy="Check the folder and its disk",
        ) from error
    if verdict != "ok":
        partial.unlink(missing_ok=True)
        raise StorageError(
            f"the copy failed its check: {verdict}", where=str(to), remedy="Keep older backups; check the disk"
        )
    partial.replace(to)
    return int(count)


def restore(backup: Path, bench_file: Path) -> Path:
    """Put a backup's bench file and records where a service finds them; return the records' path.

    Nothing that is there is overwritten.

    Raises
    ------
    StorageError
        The backup is not sound, or cannot be put there.
    ConfigError
        Something is there already, or the backup holds no bench file.
    """
    if not backup.is_file():
        raise StorageError("there is no backup here", where=str(backup), remedy="Give the path of a backup")
    try:
        with closing(sqlite3.connect(f"{backup.absolute().as_uri()}?mode=ro", uri=True)) as copy:
            (verdict,) = copy.execute("PRAGMA integrity_check").fetchone()
            (holds,) = copy.execute("SELECT count(*) FROM sqlite_master WHERE name = 'bench_file'").fetchone()
            kept = copy.execute("SELECT text FROM bench_file ORDER BY id DESC LIMIT 1").fetchone() if holds else None
            (newest,) = copy.execute("SELECT coalesce(max(id), 0) FROM ledger").fetchone() if holds else (0,)
    except sqlite3.Error as error:
        raise storage_error(error, str(backup), "the backup cannot be read") from error
    if verdict != "ok":
        raise StorageError(
            f"the backup does not pass its check: {verdict}", where=str(backup), remedy="Use another one"
        )
    if kept is None:
        raise ConfigError(
            "this backup holds no bench file",
            where=str(backup),
            remedy="Copy it to where your bench file says that the records are",
        )
    config = bench_from(tomllib.loads(kept[0]), where=f"bench file in {backup}")
    records = records_path(config, bench_file)
    for path in (bench_file, records):
        if path.exists():
            raise ConfigError("is there already", where=str(path), remedy="Restore to a folder of its own")
    try:
        records.parent.mkdir(exist_ok=True)
        worst_beside(records, newest)  # first: records without it would be taken up as they are
        copyfile(backup, records)
        if os.geteuid() == 0:  # whoever owns the folder is the service that will write there
            owner = records.parent.stat()
            for path in (records, records.with_name(records.name + LEDGER)):
                os.chown(path, owner.st_uid, owner.st_gid)
        bench_file.write_text(kept[0], encoding="utf-8")
    except OSError as error:
        raise StorageError(
            f"could not be written ({error.strerror})", where=str(bench_file), remedy="Check the folder and its disk"
        ) from error
    return records
