"""`saltern commission`: say, for the records, that a bench may be used; the service running or not."""

from pathlib import Path
from typing import Annotated

import typer

from saltern.cli.live import BenchOption, JsonOption
from saltern.errors import ConfigError

DONE_WITHIN_S = 60.0


def commission(
    who: Annotated[str, typer.Argument(help="Your name.", show_default=False)],
    why: Annotated[str, typer.Argument(help="What was tried, or why that is not needed.", show_default=False)],
    records_only: Annotated[
        bool,
        typer.Option(
            "--records-only", help="Confirm that nothing is tried here and that you know the bench to be sound."
        ),
    ] = False,
    bench: BenchOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say that the bench may be used: until then nothing is pumped, but by guided procedures.

    `saltern bring-up` tries all of it step by step, and says so by itself at its end. Say it by hand only of a bench
    whose lines, floats and permits you tried before.
    """
    from saltern.cli.done import say_done
    from saltern.cli.live import socket_of
    from saltern.config.paths import meant
    from saltern.errors import NotRunningError
    from saltern.rpc.client import Client

    if not records_only:
        raise ConfigError(
            "a bench is tried by hand; this command only records the outcome",
            where="commission",
            remedy="Bring it up: saltern bring-up. Tried before: saltern commission --records-only WHO WHY",
        )
    file = meant(bench)
    if file is None:
        raise ConfigError("which bench?", where="--bench", remedy="Give BENCH.toml, or set SALTERN_BENCH")
    try:
        with Client(socket_of(file, None)) as client:
            client.call("operate", within_s=DONE_WITHIN_S, words=["commission", who, why])
    except NotRunningError:
        _into_the_records(file, who, why)
    say_done({"who": who, "why": why}, f"Commissioned by {who}: {why}", as_json=as_json)


def _into_the_records(file: Path, who: str, why: str) -> None:
    from saltern.clock import RealClock
    from saltern.config.loading import load_bench
    from saltern.config.paths import records_path
    from saltern.model.commands import command_of
    from saltern.records.opening import open_store
    from saltern.running.commissioning import commission as keep

    command_of(["commission", who, why])
    clock = RealClock()
    store = open_store(records_path(load_bench(file), file), clock)
    try:
        keep(store, who, why, clock.now())
    finally:
        store.close()
