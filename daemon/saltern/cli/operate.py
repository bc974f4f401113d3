"""`saltern reset`, `empty`, `rinse` and `part`: what an operator does at a bench, its service running or not."""

from pathlib import Path
from typing import Annotated

import typer

DONE_WITHIN_S = 900.0  # a drain with its tries takes minutes

BenchFile = Annotated[Path, typer.Argument(help="Bench file.", show_default=False)]


def reset(bench: BenchFile) -> None:
    """Clear latched interlocks, if their causes have gone."""
    _operate(bench, ["reset"])


def empty(bench: BenchFile) -> None:
    """Drain the vessel, and say whether it is proved empty."""
    _operate(bench, ["empty"])


def rinse(bench: BenchFile) -> None:
    """Drain, rinse as before a determination, and leave the probes in fresh sample."""
    _operate(bench, ["rinse"])


def part(
    bench: BenchFile,
    act: Annotated[str, typer.Argument(help="replaced, emptied or installed", show_default=False)],
    name: Annotated[str, typer.Argument(help="titrant, waste, vessel, or a part", show_default=False)],
) -> None:
    """Say what was done: replaced titrant, emptied waste, emptied vessel, or installed and the name of a part."""
    _operate(bench, ["part", act, name])


def hold(
    bench: BenchFile,
    hours: Annotated[float, typer.Argument(min=0.0, max=72.0, help="0: let it go on.", show_default=False)],
) -> None:
    """Start nothing by schedule for some hours, while you work at the bench; it ends by itself."""
    _operate(bench, ["hold", f"{hours:g}"])


def bypass(
    bench: BenchFile,
    name: Annotated[str, typer.Argument(help="Interlock: of those that guard the number alone.", show_default=False)],
    hours: Annotated[float, typer.Argument(min=0.1, max=72.0, help="For how long; a restart ends it.")],
    why: Annotated[str, typer.Argument(help="The reason, for the records.", show_default=False)],
) -> None:
    """Leave an interlock out of account for some hours: clock, proof-test or temperature-fault, never one of safety."""
    _operate(bench, ["bypass", name, f"{hours:g}", why])


def _operate(bench: Path, words: list[str]) -> None:
    """Let the running service do it; without one, open the bench and do it here."""
    from saltern.cli.present import console
    from saltern.config import load_bench, socket_path
    from saltern.errors import NotRunningError
    from saltern.rpc.client import Client

    try:
        with Client(socket_path(load_bench(bench), bench.parent)) as client:
            acting = client.call("operate", within_s=DONE_WITHIN_S, words=words)["acting"]
    except NotRunningError:
        acting = _operate_here(bench, words)
    console().print(f"Done: {' '.join(words)}. Interlocks acting: {', '.join(acting) or 'none'}.")


def _operate_here(bench: Path, words: list[str]) -> list[str]:
    from saltern.cli.logs import service_logs
    from saltern.cli.opening import opened

    service_logs()
    with opened(bench) as here:
        here.service.operator(words)
        return [row.name for row in here.service.bench.guard.acting]
