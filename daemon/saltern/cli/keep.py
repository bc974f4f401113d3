"""`saltern condition`, `schedule` and `alert`: what a keeper says, asks about times, and takes note of."""

from datetime import datetime
from typing import Annotated
from zoneinfo import ZoneInfo

import typer

from saltern.cli.live import BenchOption, JsonOption, SocketOption, socket_of


def condition(
    name: Annotated[str, typer.Argument(help="Name of the condition, from schedule.conditions.", show_default=False)],
    holds: Annotated[bool, typer.Argument(help="Whether it is met: yes or no.", show_default=False)],
    bench: BenchOption = None,
    socket: SocketOption = None,
    as_json: JsonOption = False,
) -> None:
    """Set whether a condition that scheduled determinations wait for is met."""
    from saltern.cli.done import say_done
    from saltern.rpc.client import AT_NEXT_REST_S, Client

    with Client(socket_of(bench, socket)) as client:
        found = client.call("condition", AT_NEXT_REST_S, name=name, holds=holds)
    say_done(found, f"{name}: {'holds' if holds else 'does not hold'}.", as_json=as_json)


def schedule(
    count: Annotated[int, typer.Option(min=1, max=100, help="Number of determinations to show.")] = 10,
    bench: BenchOption = None,
    socket: SocketOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show when the next determinations start and why, and whether one is due now."""
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


alert = typer.Typer(help="Test how alerts reach you, and acknowledge one.", no_args_is_help=True)


@alert.command("test")
def alert_test(bench: BenchOption = None, socket: SocketOption = None, as_json: JsonOption = False) -> None:
    """Send a test alert by every channel that is set up."""
    from saltern.cli.done import say_done
    from saltern.rpc.client import AT_NEXT_REST_S, Client

    with Client(socket_of(bench, socket)) as client:
        found = client.call("alert-test", AT_NEXT_REST_S)
    if not found["ways"]:
        if as_json:
            say_done(found, "", as_json=True)
            raise typer.Exit(1)
        typer.echo(
            "alert test: no alert goes out, for the bench file names no way. "
            "Set alerts.urls_file or mqtt in it, and start the service again.",
            err=True,
        )
        raise typer.Exit(1)
    ways = "".join(f"\n  {way}" for way in found["ways"])
    said = (
        f"A test alert is on its way by:{ways}\nIf it does not reach you within some minutes, check the service's log."
    )
    say_done(found, said, as_json=as_json)


@alert.command()
def acknowledge(
    code: Annotated[str, typer.Argument(help="The alert's code, from `saltern status --json`.", show_default=False)],
    bench: BenchOption = None,
    socket: SocketOption = None,
    as_json: JsonOption = False,
) -> None:
    """Acknowledge an alert: it is not repeated while it stands."""
    from saltern.cli.done import say_done
    from saltern.rpc.client import AT_NEXT_REST_S, Client

    with Client(socket_of(bench, socket)) as client:
        found = client.call("acknowledge", AT_NEXT_REST_S, code=code)
    say_done(found, f"{code}: acknowledged.", as_json=as_json)
