"""`saltern practice`: the real service on the simulated bench, with hands that do what a guided procedure asks for."""

import shutil
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from saltern.errors import ConfigError, NotRunningError, RemoteError
from saltern.ports import MisuseError

if TYPE_CHECKING:
    from saltern.cli.opening import Opened

PACE = 10.0
"""Ten times faster than life: a calibration takes a minute or two, and its questions can still be read."""


def practice(
    bench: Annotated[
        Path | None, typer.Argument(help="Bench file of a simulated bench (default: the shipped one).")
    ] = None,
    pace: Annotated[
        float, typer.Option(min=0.1, max=10_000.0, help="Factor by which time runs faster than real time.")
    ] = PACE,
    hands: Annotated[str, typer.Option(help="Name of a mistake that the hands make, to see it refused.")] = "practice",
    alone: Annotated[bool, typer.Option("--alone", help="Let the hands answer as well, and watch.")] = False,
    new: Annotated[
        bool, typer.Option("--new", help="Begin with a bench that nobody has tried: for saltern bring-up.")
    ] = False,
) -> None:
    """Rehearse on the simulated bench: begin guided procedures at another terminal, and hands here do what is asked."""
    from saltern.cli.daemon import serve
    from saltern.cli.twin import of_the_twin
    from saltern.config.loading import load_bench, shipped_config
    from saltern.model.commands import MOST_HOLD_H
    from saltern.running.commissioning import say_whether_commissioned

    known = of_the_twin("mistakes")
    if hands not in known:
        raise ConfigError(f"no hands do {hands!r}", where="--hands", remedy=f"Choose of: {', '.join(known)}")

    if bench is not None and load_bench(bench).wires != "twin":
        raise ConfigError(
            "this bench is not simulated: its acid is real",
            where=str(bench),
            remedy='Practise on a copy of its file with wires = "twin"',
        )

    @contextmanager
    def attended(here: "Opened") -> Iterator[None]:
        if new:
            service = here.service
            say_whether_commissioned(service.store, service.file, here.clock.now(), commissioned=False)
        here.service.operator(["hold", f"{MOST_HOLD_H:g}"])  # a bench that measures takes up no procedure
        with Attendant(here, of_the_twin("hands-at-wires")(here.wires, mistakes=known[hands]), answers=alone).there():
            yield

    with tempfile.TemporaryDirectory(prefix="saltern-practice-") as folder:
        if bench is None:  # nothing of it stays
            bench = Path(shutil.copy(shipped_config("bench-simulated.toml"), folder))
        serve(bench, pace, attended)


class Attendant:
    """Follows the service over its socket, as a terminal does, and lets hands do what is asked.

    Parameters
    ----------
    here
        The bench that is open in this process.
    hands
        At its world.
    answers
        Whether they answer as well, and not only do it.
    """

    def __init__(self, here: "Opened", hands: Any, *, answers: bool) -> None:
        self._here, self._hands, self._answers = here, hands, answers

    @contextmanager
    def there(self) -> Iterator[None]:
        """Be there until the service ends: its socket closes then."""
        here = self._here
        typer.echo("Nothing is measured by schedule meanwhile.")
        typer.echo(f"Begin at another terminal, for example: saltern calibrate ph --socket {here.socket.absolute()}")
        thread = threading.Thread(target=self._follow, name="hands", daemon=True)
        thread.start()
        yield

    def _follow(self) -> None:
        from saltern.rpc.client import Client

        with Client(self._here.socket) as watching:
            watching.call("follow")
            for kind, what in watching.notifications():
                if kind == "question":
                    self._attend(what)
                elif kind == "said":
                    typer.echo(f"  {what['text']}")
                elif kind == "ended":
                    self._end(what.get("error"))

    def _end(self, error: dict[str, Any] | None) -> None:
        if error is None:
            typer.echo("It is done.")
            return
        self._here.clock.call_later(0.0, self._hands.put_back)
        typer.echo(f"It is over: {error['what']}. {error['remedy']}\n  Hands: all is back where it belongs")

    def _attend(self, question: dict[str, Any]) -> None:
        """Do what is asked, in the thread that moves the world, and say it; answer where nobody else does."""
        from saltern.rpc.client import Client

        done, unit = threading.Event(), question["unit"]
        answer, shown = "", ""

        def act() -> None:
            nonlocal answer, shown
            try:
                if unit is None:
                    self._hands.do(question["key"], question["text"])
                    answer = shown = "done"
                else:
                    answer = f"{self._hands.read(question['key'], unit):.2f}"
                    shown = f"it shows {answer} {unit}"
            except MisuseError as error:  # it must not end the service, in whose thread this runs
                shown = f"{error.what}: answer it yourself"
            finally:
                done.set()

        self._here.clock.call_later(0.0, act)
        done.wait()
        typer.echo(f"Asked: {question['text']}\n  Hands: {shown}")
        if self._answers and answer:
            try:
                with Client(self._here.socket) as asking:
                    asking.call("answer", key=question["key"], text=answer)
            except (RemoteError, NotRunningError) as error:  # somebody else has answered
                typer.echo(f"  {error}")
