"""`saltern status`, `measure` and `stop`: what a keeper asks of a running service, over SSH."""

import os
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any
from zoneinfo import ZoneInfo

import typer

from saltern.chemistry.alkalinity_unit import AlkalinityUnit
from saltern.errors import ConfigError, NotRunningError

BenchOption = Annotated[Path | None, typer.Option("--bench", envvar="SALTERN_BENCH", help="The service's bench file.")]
SocketOption = Annotated[
    Path | None,
    typer.Option("--socket", envvar="SALTERN_SOCKET", help="The service's socket, instead of a bench file."),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON, and only JSON.")]


def socket_of(bench: Path | None, socket: Path | None) -> Path:
    """Return the socket that the options mean.

    Raises
    ------
    ConfigError
        Neither is given, and this computer has no bench of its own.
    """
    if socket is not None:
        return socket
    from saltern.config.paths import default_socket, instance_of, meant, socket_by_sight, socket_path

    bench = meant(bench)
    if bench is None:
        raise ConfigError(
            "which service?", where="--bench", remedy="Give --bench BENCH.toml or --socket, or set SALTERN_BENCH"
        )
    instance = instance_of(bench)
    if instance is not None and not os.access(bench, os.R_OK):
        return default_socket(instance)  # who may only read need not know how the bench is built
    seen = socket_by_sight(bench)
    if seen is not None:
        return seen
    from saltern.config.loading import load_bench

    return socket_path(load_bench(bench), bench)


def status(bench: BenchOption = None, socket: SocketOption = None, as_json: JsonOption = False) -> None:
    """Show one screen: last result, trend, next run, current activity, supplies and problems."""
    from saltern.rpc.client import Client

    with Client(socket_of(bench, socket)) as client:
        found = client.call("status")
        tank = None if as_json else _newest_of_the_tank(client, found["last"])
    if as_json:
        from saltern.cli.present import print_json

        print_json(found)
    else:
        from saltern.cli.present_live import print_status

        print_status(found, tank)


LOOKED_BACK = 100


def _newest_of_the_tank(client: Any, last: dict[str, Any] | None) -> dict[str, Any] | None:
    """Return the tank's newest determination: a reference measured since is not what the tank has."""
    if last is None or last["source"] == "tank":
        return last
    found = client.call("results", limit=LOOKED_BACK)["determinations"]
    return next((d for d in reversed(found) if d["source"] == "tank"), None)


def measure(
    source: Annotated[
        str,
        typer.Option(
            help="Water to measure: tank, or water kept out of the tank's trend: reference, new-saltwater, other."
        ),
    ] = "tank",
    follow: Annotated[
        bool, typer.Option("--follow", help="Watch the determination that is under way, and start none.")
    ] = False,
    wait: Annotated[bool, typer.Option("--wait", help="Print nothing until it is done.")] = False,
    bench: BenchOption = None,
    socket: SocketOption = None,
    as_json: JsonOption = False,
) -> None:
    """Measure now and watch. Ctrl-C stops the watching, never the measuring."""
    from saltern.cli.present import print_json
    from saltern.rpc.client import Client

    with Client(socket_of(bench, socket)) as client:
        if not follow:
            client.call("measure", source=source)
        begun = client.call("follow")
        unit = AlkalinityUnit(begun["alkalinity_unit"])
        if begun["running"] is None:
            raise ConfigError("nothing is under way", where="measure --follow", remedy="Leave out --follow to start")
        if follow and not str(begun["running"]["what"]).startswith("measure"):
            what = begun["running"]["what"]
            raise ConfigError(f"{what} is not a determination", where="measure --follow", remedy="See: saltern status")
        try:
            done = _watch(client, begun["running"], unit, silent=wait or as_json)
        except KeyboardInterrupt:
            typer.echo("\nIt goes on. Watch again with: saltern measure --follow", err=True)
            return
    if as_json:
        print_json({"schema_version": 1, **done})
    else:
        from saltern.cli.present_live import print_done

        print_done(done, unit)
    if done["alkalinity"]["verdict"] == "void":
        raise typer.Exit(1)


def _watch(client: Any, running: dict[str, Any], unit: AlkalinityUnit, *, silent: bool) -> dict[str, Any]:
    """Follow until it is done, and its confirmation, where one follows; return the last result."""
    from saltern.cli.present_curve import Watched

    with Watched(running, unit, silent=silent) as screen:
        for kind, what in client.notifications():
            if kind == "step":
                screen.step(what)
            elif kind == "finished" and what["followed"]:
                screen.again(what)
            elif kind == "finished":
                return {key: value for key, value in what.items() if key != "followed"}
    raise NotRunningError("the service went away", where="measure", remedy="Check its log; the run is void")


def away(
    days: Annotated[float, typer.Argument(help="Number of days; 0 means that you are back.", show_default=False)],
    look: Annotated[bool, typer.Option("--look", help="Only show the resulting schedule.")] = False,
    bench: BenchOption = None,
    socket: SocketOption = None,
    as_json: JsonOption = False,
) -> None:
    """Announce that you are away: the schedule is stretched so that titrant and waste room last."""
    from saltern.rpc.client import AT_NEXT_REST_S, Client

    with Client(socket_of(bench, socket)) as client:
        found = client.call("away", AT_NEXT_REST_S, days=days, apply=not look)
        status = None if as_json else client.call("status")
    if status is None:
        from saltern.cli.present import print_json

        print_json({"schema_version": 1, **found})
    else:
        from saltern.cli.present_live import print_away

        print_away(found, datetime.fromisoformat(status["at_utc"]), ZoneInfo(status["time_zone"]))


def reload(bench: BenchOption = None, socket: SocketOption = None, as_json: JsonOption = False) -> None:
    """Load the changed bench file into the running service. Some changes need a restart."""
    from saltern.cli.done import say_done
    from saltern.rpc.client import Client

    with Client(socket_of(bench, socket)) as client:
        found = client.call("reload")
    say_done(found, f"Taken up: {', '.join(found['changed']) or 'nothing has changed'}.", as_json=as_json)


def stop(bench: BenchOption = None, socket: SocketOption = None, as_json: JsonOption = False) -> None:
    """Stop all pumps and what is under way. The determination is kept and marked void; the service goes on."""
    from saltern.cli.done import say_done
    from saltern.rpc.client import Client

    with Client(socket_of(bench, socket)) as client:
        found = client.call("stop")
    say_done(found, "Stopping.", as_json=as_json)
