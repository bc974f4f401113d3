"""`saltern results`: what was measured."""

from pathlib import Path
from typing import Annotated

import typer

from saltern.errors import ConfigError


def results(
    db: Annotated[Path | None, typer.Option(help="The records.")] = None,
    bench: Annotated[
        Path | None, typer.Option("--bench", envvar="SALTERN_BENCH", help="Bench file; its records are used.")
    ] = None,
    limit: Annotated[int, typer.Option(min=1, max=10_000, help="How many, newest.")] = 20,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON, and only JSON.")] = False,
) -> None:
    """List results, oldest first."""
    from saltern.cli.present import console, print_determinations, print_json
    from saltern.clock import RealClock
    from saltern.records.as_json import determination_json
    from saltern.records.store import open_for_reading

    store = open_for_reading(records_path(db, bench), RealClock())
    rows = store.results(limit)[::-1]
    store.close()
    if as_json:
        print_json({"schema_version": 1, "determinations": [determination_json(number, d) for number, d in rows]})
    elif rows:
        print_determinations(rows)
    else:
        console().print("No determination has been kept yet.")


def records_path(db: Path | None, bench: Path | None) -> Path:
    """Return where the records are, from either option.

    Raises
    ------
    ConfigError
        Neither is given; --db counts where both are.
    """
    from saltern.config import load_bench

    if db is None and bench is None:
        raise ConfigError("give --db or --bench", where="records", remedy="For example --db saltern.sqlite")
    if db is not None:
        return db
    assert bench is not None  # noqa: S101 - the check above
    return bench.parent / load_bench(bench).records.path
