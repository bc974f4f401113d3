"""`saltern export`, `backup` and `restore`: the records, out of the machine. They need no service, and disturb none."""

import sys
from contextlib import AbstractContextManager, nullcontext
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, TextIO

import typer

from saltern.cli.live import JsonOption
from saltern.cli.results import records_path
from saltern.errors import ConfigError, StorageError

if TYPE_CHECKING:
    from saltern.records.store import Store

DbOption = Annotated[Path | None, typer.Option("--db", help="Records to read.")]
BenchOption = Annotated[
    Path | None, typer.Option("--bench", envvar="SALTERN_BENCH", help="Bench file whose records are read.")
]
MOST_ROWS = 1_000_000


class What(StrEnum):
    RESULTS = "results"
    LOG = "log"


def export(
    what: Annotated[What, typer.Argument(help="Content to export: results, or the keeper's log.")] = What.RESULTS,
    to: Annotated[
        Path | None,
        typer.Option(
            "--to", help="File to write: CSV, or Parquet if its name ends in .parquet (default: CSV to the screen)."
        ),
    ] = None,
    since: Annotated[str | None, typer.Option(help="Earliest time to export, ISO 8601 (default: everything).")] = None,
    db: DbOption = None,
    bench: BenchOption = None,
    as_json: Annotated[bool, typer.Option("--json", help="Report the written file as JSON. Needs --to.")] = False,
) -> None:
    """Write CSV with units in its headers, or Parquet with units in its metadata; times in UTC."""
    from saltern.cli.done import say_done
    from saltern.clock import RealClock
    from saltern.ports import install_extra
    from saltern.records.opening import open_for_reading

    if as_json and to is None:
        raise ConfigError("the screen takes the rows", where="export --json", remedy="Give a file: --to FILE")
    begin = _time(since)
    store = open_for_reading(records_path(db, bench if db is None else None), RealClock())
    try:
        count = _written(what, store, begin, to)
    except OSError as error:
        if isinstance(error, StorageError):
            raise
        raise StorageError(
            f"cannot be written ({error.strerror})", where=str(to), remedy="Check the folder and its disk"
        ) from error
    except ImportError as error:
        raise ConfigError(
            f"{error.name} is not installed", where=str(to), remedy=f"Write CSV; or: {install_extra('parquet')}"
        ) from error
    finally:
        store.close()
    if as_json:
        say_done({"file": str(to), "rows": count}, "", as_json=True)
    elif to is not None:
        typer.echo(f"{count} rows in {to}", err=True)


def _written(what: What, store: "Store", begin: datetime, to: Path | None) -> int:
    """Write it; return how many rows."""
    from saltern.records.export import LOG_COLUMNS, RESULT_COLUMNS, write_log, write_parquet, write_results
    from saltern.records.logbook import everything

    parquet = to is not None and to.suffix == ".parquet"
    if what is What.LOG:
        logged = everything(store, begin)
        if to is not None and parquet:
            return write_parquet(to, LOG_COLUMNS, logged)
        with _opened(to) as file:
            return write_log(file, logged)
    results = [(number, d) for number, d in store.results(MOST_ROWS)[::-1] if d.started_at >= begin]
    if to is not None and parquet:
        return write_parquet(to, RESULT_COLUMNS, results)
    with _opened(to) as file:
        return write_results(file, results)


def _opened(to: Path | None) -> AbstractContextManager[TextIO]:
    return nullcontext(sys.stdout) if to is None else to.open("w", newline="", encoding="utf-8")


def backup(
    to: Annotated[Path, typer.Argument(help="File to write, best on another disk.", show_default=False)],
    db: DbOption = None,
    bench: BenchOption = None,
    as_json: JsonOption = False,
) -> None:
    """Copy the records while the service runs, and check the copy."""
    from saltern.cli.done import say_done
    from saltern.records.backup import back_up

    count = back_up(records_path(db, bench if db is None else None), to)
    said = f"{to}: {count} determinations, checked. To put it back: saltern restore {to} BENCH.toml"
    say_done({"file": str(to), "determinations": count}, said, as_json=as_json)


def restore(
    backup: Annotated[Path, typer.Argument(help="Backup to restore.", show_default=False)],
    bench: Annotated[
        Path, typer.Argument(help="Bench file to write. Its records are written beside it.", show_default=False)
    ],
    as_json: JsonOption = False,
) -> None:
    """Restore bench file and records from a backup, on this machine or another. Nothing is overwritten."""
    from saltern.cli.done import say_done
    from saltern.records.backup import restore as put_back

    records = put_back(backup, bench)
    said = f"{bench} and {records} are as they were. Check pins and ports, then: saltern check {bench}"
    say_done({"bench_file": str(bench), "records": str(records)}, said, as_json=as_json)


def _time(text: str | None) -> datetime:
    if text is None:
        return datetime(1, 1, 1, tzinfo=UTC)
    try:
        at = datetime.fromisoformat(text)
    except ValueError as error:
        raise ConfigError(f"{text!r} is not a time", where="--since", remedy="Give ISO 8601: 2026-03-02") from error
    return at if at.tzinfo is not None else at.replace(tzinfo=UTC)
