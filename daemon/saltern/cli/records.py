"""`saltern export`, `backup` and `restore`: the records, out of the machine. They need no service, and disturb none."""

import sys
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from saltern.cli.results import records_path
from saltern.errors import ConfigError, StorageError

DbOption = Annotated[Path | None, typer.Option("--db", help="The records.")]
BenchOption = Annotated[
    Path | None, typer.Option("--bench", envvar="SALTERN_BENCH", help="Bench file; its records are used.")
]
MOST_ROWS = 1_000_000


class What(StrEnum):
    RESULTS = "results"
    LOG = "log"


def export(
    what: Annotated[What, typer.Argument(help="results, or the keeper's log.")] = What.RESULTS,
    to: Annotated[Path | None, typer.Option("--to", help="CSV file; standard output otherwise.")] = None,
    since: Annotated[str | None, typer.Option(help="ISO 8601; everything otherwise.")] = None,
    db: DbOption = None,
    bench: BenchOption = None,
) -> None:
    """Write CSV with units in its headers and times in UTC."""
    from saltern.clock import RealClock
    from saltern.records.export import write_log, write_results
    from saltern.records.store import open_for_reading

    begin = _time(since)
    store = open_for_reading(records_path(db, bench if db is None else None), RealClock())
    try:
        file = sys.stdout if to is None else to.open("w", newline="", encoding="utf-8")
        if what is What.LOG:
            count = write_log(file, store.logged(begin))
        else:
            rows = [(number, d) for number, d in store.results(MOST_ROWS)[::-1] if d.started_at >= begin]
            count = write_results(file, rows)
        if to is not None:
            file.close()
            typer.echo(f"{count} rows in {to}", err=True)
    except OSError as error:
        raise StorageError(
            f"cannot be written ({error.strerror})", where=str(to), remedy="Look at the folder and its disk"
        ) from error
    finally:
        store.close()


def backup(
    to: Annotated[Path, typer.Argument(help="File to write; best on another disk.", show_default=False)],
    db: DbOption = None,
    bench: BenchOption = None,
) -> None:
    """Copy the records while the service runs, and check the copy."""
    from saltern.records.backup import back_up

    count = back_up(records_path(db, bench if db is None else None), to)
    typer.echo(f"{to}: {count} determinations, checked. To put it back: saltern restore {to} BENCH.toml")


def restore(
    backup: Annotated[Path, typer.Argument(help="A backup.", show_default=False)],
    bench: Annotated[Path, typer.Argument(help="Bench file to write; its records beside it.", show_default=False)],
) -> None:
    """Put a backup's bench file and records in place, on this machine or another; nothing is overwritten."""
    from saltern.records.backup import restore as put_back

    records = put_back(backup, bench)
    typer.echo(f"{bench} and {records} are as they were. Check pins and ports, then: saltern check {bench}")


def _time(text: str | None) -> datetime:
    if text is None:
        return datetime(1, 1, 1, tzinfo=UTC)
    try:
        at = datetime.fromisoformat(text)
    except ValueError as error:
        raise ConfigError(f"{text!r} is no time", where="--since", remedy="Give ISO 8601: 2026-03-02") from error
    return at if at.tzinfo is not None else at.replace(tzinfo=UTC)
