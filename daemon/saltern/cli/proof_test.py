"""`saltern proof-test`: a person provokes each float, sensor and button, and the service is seen to act."""

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from getpass import getuser
from typing import Annotated, Any

import typer

from saltern.cli.live import BenchOption, JsonOption, SocketOption, socket_of

POLL_S = 0.3
DONE_WITHIN_S = 60.0


def proof_test(
    within: Annotated[float, typer.Option("--within", min=1.0, help="Seconds to wait for each interlock.")] = 120.0,
    who: Annotated[str | None, typer.Option(help="Your name, for the records (default: the user's name).")] = None,
    bench: BenchOption = None,
    socket: SocketOption = None,
    as_json: JsonOption = False,
) -> None:
    """Test every interlock with a switch by hand: each must act, release and be reset. The outcomes are recorded.

    Nothing is measured meanwhile, and nothing moves. It can be broken off and begun again.
    """
    from saltern.cli.present import print_json
    from saltern.rpc.client import Client

    name, outcomes = who or getuser(), []
    with Client(socket_of(bench, socket)) as client, _under_way(client) as goes_on:
        for trial in client.call("trials")["trials"]:
            goes_on()
            typer.echo(f"{trial['provoke']} (within {within:.0f} s; Ctrl-C breaks off).", err=True)
            acted = _until(client, trial["interlock"], acts=True, within_s=within)
            gone = False
            if acted:
                typer.echo(f"It acts. {trial['put_back']}.", err=True)
                gone = _until_reset(client, trial["interlock"], within)
            passed = acted and gone
            words = ["proved", trial["interlock"], "passed" if passed else "failed", name]
            client.call("operate", within_s=DONE_WITHIN_S, words=words)
            typer.echo(f"{trial['interlock']}: {'passed' if passed else 'FAILED'}", err=True)
            outcomes.append({"interlock": trial["interlock"], "passed": passed})
    if as_json:
        print_json({"schema_version": 1, "outcomes": outcomes})
    if not all(outcome["passed"] for outcome in outcomes):
        typer.echo("What failed does not protect: repair it before anything is measured.", err=True)
        raise typer.Exit(1)


@contextmanager
def _under_way(client: Any) -> Iterator[Callable[[], None]]:
    """Hold the pumps as long as hands may be in the vessel; what is yielded says that the test still goes on."""

    def say(act: str) -> None:
        client.call("operate", within_s=DONE_WITHIN_S, words=["proof-test", act])

    say("begins")
    try:
        yield partial(say, "begins")
    finally:
        say("ends")


def _until(client: Any, interlock: str, *, acts: bool, within_s: float) -> bool:
    deadline = time.monotonic() + within_s
    while time.monotonic() < deadline:
        acting = {row["name"] for row in client.call("status")["interlocks"]}
        if (interlock in acting) is acts:
            return True
        time.sleep(POLL_S)
    return False


def _until_reset(client: Any, interlock: str, within_s: float) -> bool:
    """Reset as soon as the cause has gone; a permissive clears by itself."""
    from saltern.errors import RemoteError

    deadline = time.monotonic() + within_s
    while time.monotonic() < deadline:
        if _until(client, interlock, acts=False, within_s=POLL_S):
            return True
        try:
            client.call("operate", within_s=DONE_WITHIN_S, words=["reset"])
        except RemoteError:
            time.sleep(POLL_S)  # still held
    return False
