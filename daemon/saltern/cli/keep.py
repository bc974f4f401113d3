"""`saltern log`, `condition` and `schedule`: what a keeper writes down, says and asks about times."""

from datetime import datetime
from typing import Annotated, Any
from zoneinfo import ZoneInfo

import typer

from saltern.cli.live import BenchOption, JsonOption, SocketOption, socket_of

log = typer.Typer(help="Write down what happened at the tank.", no_args_is_help=True)
At = Annotated[str | None, typer.Option("--at", help="When, ISO 8601 with an offset; now otherwise.")]


@log.command()
def dose(
    chemical: Annotated[str, typer.Argument(help="What, for example: soda solution.", show_default=False)],
    amount: Annotated[float, typer.Argument(help="How much.", show_default=False)],
    unit: Annotated[str, typer.Option(help="mL or g.")] = "mL",
    at: At = None,
    bench: BenchOption = None,
    socket: SocketOption = None,
) -> None:
    """A dose of a supplement; no determination starts soon after it."""
    _log({"kind": "dose", "chemical": chemical, "amount": amount, "unit": unit}, at, bench, socket)


@log.command("water-change")
def water_change(
    litres: Annotated[float, typer.Argument(help="How much was replaced, L.", show_default=False)],
    alkalinity_dkh: Annotated[float | None, typer.Option(help="Of the new water.")] = None,
    salinity: Annotated[float | None, typer.Option(help="Of the new water.")] = None,
    at: At = None,
    bench: BenchOption = None,
    socket: SocketOption = None,
) -> None:
    """A water change."""
    entry = {"kind": "water-change", "litres": litres, "alkalinity_dkh": alkalinity_dkh, "salinity": salinity}
    _log(entry, at, bench, socket)


@log.command("test")
def other_test(
    quantity: Annotated[
        str, typer.Argument(help="alkalinity_dkh, ph, salinity, calcium_mg_l, ...", show_default=False)
    ],
    value: Annotated[float, typer.Argument(show_default=False)],
    method: Annotated[str, typer.Argument(help="How it was measured.", show_default=False)],
    at: At = None,
    bench: BenchOption = None,
    socket: SocketOption = None,
) -> None:
    """A value measured by other means."""
    _log({"kind": "test", "quantity": quantity, "value": value, "method": method}, at, bench, socket)


@log.command()
def remark(
    text: Annotated[str, typer.Argument(show_default=False)],
    at: At = None,
    bench: BenchOption = None,
    socket: SocketOption = None,
) -> None:
    """Anything worth remembering."""
    _log({"kind": "remark", "text": text}, at, bench, socket)


def _log(entry: dict[str, Any], at: str | None, bench: Any, socket: Any) -> None:
    from saltern.rpc.client import AT_NEXT_REST_S, Client

    with Client(socket_of(bench, socket)) as client:
        number = client.call("log", AT_NEXT_REST_S, entry=entry, at=at)["id"]
    typer.echo(f"Written down, number {number}.")


def condition(
    name: Annotated[str, typer.Argument(help="As schedule.conditions names it.", show_default=False)],
    holds: Annotated[bool, typer.Argument(help="yes or no", show_default=False)],
    bench: BenchOption = None,
    socket: SocketOption = None,
) -> None:
    """Say whether a condition holds that scheduled determinations wait for."""
    from saltern.rpc.client import AT_NEXT_REST_S, Client

    with Client(socket_of(bench, socket)) as client:
        client.call("condition", AT_NEXT_REST_S, name=name, holds=holds)
    typer.echo(f"{name}: {'holds' if holds else 'does not hold'}.")


def schedule(
    count: Annotated[int, typer.Option(min=1, max=100, help="How many.")] = 10,
    bench: BenchOption = None,
    socket: SocketOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show the next determinations and why, and whether one is due now."""
    from saltern.cli.present import print_json, say
    from saltern.cli.present_time import moment
    from saltern.rpc.client import Client

    with Client(socket_of(bench, socket)) as client:
        found = client.call("schedule", count=count)
        status = None if as_json else client.call("status")
    if status is None:
        print_json({"schema_version": 1, **found})
        return
    now, zone = datetime.fromisoformat(status["at_utc"]), ZoneInfo(status["time_zone"])
    say(f"now: {'due' if found['now']['due'] else 'not due'}: {found['now']['why']}", hanging=2)
    for slot in found["next"]:
        say(f"{moment(slot['at_utc'], now, zone)} ({slot['why']})", hanging=2)


alert = typer.Typer(help="Alerts: try the ways they go, and say that one was seen.", no_args_is_help=True)


@alert.command("test")
def alert_test(bench: BenchOption = None, socket: SocketOption = None) -> None:
    """Send a test alert by every way that is set up."""
    from saltern.rpc.client import AT_NEXT_REST_S, Client

    with Client(socket_of(bench, socket)) as client:
        ways = client.call("alert-test", AT_NEXT_REST_S)["ways"]
    if not ways:
        typer.echo(
            "alert test: no alert goes out, for the bench file names no way. "
            "Set alerts.urls_file or mqtt in it, and start the service again.",
            err=True,
        )
        raise typer.Exit(1)
    typer.echo("A test alert is on its way by:")
    for way in ways:
        typer.echo(f"  {way}")
    typer.echo("If it does not reach you within some minutes, look at the service's log.")


@alert.command()
def acknowledge(
    code: Annotated[str, typer.Argument(help="As `saltern status --json` names it.", show_default=False)],
    bench: BenchOption = None,
    socket: SocketOption = None,
) -> None:
    """Say that an alert was seen; it is not repeated while it stands."""
    from saltern.rpc.client import AT_NEXT_REST_S, Client

    with Client(socket_of(bench, socket)) as client:
        client.call("acknowledge", AT_NEXT_REST_S, code=code)
    typer.echo(f"{code}: acknowledged.")
