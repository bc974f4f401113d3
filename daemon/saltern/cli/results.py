"""`saltern results`: what was measured."""

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any
from zoneinfo import ZoneInfo

import typer

from saltern.chemistry.alkalinity_unit import AlkalinityUnit
from saltern.errors import ConfigError

MOST_FROM_THE_SERVICE = 100
UNKNOWN_ZONE = "UTC"


def results(
    db: Annotated[Path | None, typer.Option(help="Records to read.")] = None,
    bench: Annotated[
        Path | None, typer.Option("--bench", envvar="SALTERN_BENCH", help="Bench file whose records are read.")
    ] = None,
    limit: Annotated[int, typer.Option(min=1, max=10_000, help="Number of results, the newest ones.")] = 20,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON, and only JSON.")] = False,
) -> None:
    """List results, oldest first."""
    from saltern.cli.present import console, print_determinations, print_json
    from saltern.clock import RealClock

    asked = db is None and _unreadable(bench)
    where, found = _of_the_service(bench, limit) if asked else _of_the_records(db, bench, limit)
    if as_json:
        print_json({"schema_version": 1, "determinations": found})
    elif found:
        print_determinations(found, where.zone, where.unit, RealClock().now())
    else:
        console().print("No determination has been kept yet.")


def _unreadable(bench: Path | None) -> bool:
    """Return whether the bench is an installed one whose file or records this user may not read."""
    from saltern.config.loading import load_bench
    from saltern.config.paths import instance_of, meant
    from saltern.config.paths import records_path as records_of

    bench = meant(bench)
    if bench is None or instance_of(bench) is None:
        return False
    return not os.access(bench, os.R_OK) or not os.access(records_of(load_bench(bench), bench).parent, os.R_OK)


@dataclass(frozen=True)
class Reader:
    """By what clock, and in which unit, a bench's results are read."""

    zone: ZoneInfo
    unit: AlkalinityUnit


def _of_the_service(bench: Path | None, limit: int) -> tuple[Reader, list[dict[str, Any]]]:
    """Ask the running service, which may be asked by more people than may read its files."""
    from saltern.cli.live import socket_of
    from saltern.rpc.client import Client

    with Client(socket_of(bench, None)) as client:
        found = client.call("results", limit=min(limit, MOST_FROM_THE_SERVICE))
    reader = Reader(ZoneInfo(found["time_zone"]), AlkalinityUnit(found["alkalinity_unit"]))
    return reader, list(found["determinations"])


def _of_the_records(db: Path | None, bench: Path | None, limit: int) -> tuple[Reader, list[dict[str, Any]]]:
    from saltern.clock import RealClock
    from saltern.records.as_json import determination_json
    from saltern.records.opening import open_for_reading

    store = open_for_reading(records_path(db, bench), RealClock())
    rows = store.results(limit)[::-1]
    store.close()
    past = [d for _, d in rows]
    return reader_of(db, bench), [determination_json(number, d, past) for number, d in rows]


def reader_of(db: Path | None, bench: Path | None) -> Reader:
    """Return how the bench's records are read; of records given alone neither clock nor unit is known."""
    from saltern.config.loading import load_bench
    from saltern.config.paths import meant

    named = meant(bench)
    if db is not None or named is None:
        return Reader(ZoneInfo(UNKNOWN_ZONE), AlkalinityUnit.DKH)
    config = load_bench(named)
    return Reader(ZoneInfo(config.schedule.time_zone), config.alkalinity_unit)


def records_path(db: Path | None, bench: Path | None) -> Path:
    """Return where the records are, from either option, or those of this computer's own bench.

    Raises
    ------
    ConfigError
        Neither is given, and there is no such bench; --db counts where both are.
    """
    from saltern.config.loading import load_bench
    from saltern.config.paths import meant
    from saltern.config.paths import records_path as records_of

    if db is not None:
        return db
    bench = meant(bench)
    if bench is None:
        raise ConfigError("give --db or --bench", where="records", remedy="For example --db saltern.sqlite")
    return records_of(load_bench(bench), bench)
