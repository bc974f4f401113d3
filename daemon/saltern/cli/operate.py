"""`saltern reset`, `empty` and `part`: what an operator does at a bench whose service is stopped."""

from pathlib import Path
from typing import Annotated

import typer

BenchFile = Annotated[Path, typer.Argument(help="Bench file.", show_default=False)]


def reset(bench: BenchFile) -> None:
    """Clear latched interlocks, if their causes have gone."""
    _operate(bench, ["reset"])


def empty(bench: BenchFile) -> None:
    """Drain the vessel, and say whether it is proved empty."""
    _operate(bench, ["empty"])


def part(
    bench: BenchFile,
    act: Annotated[str, typer.Argument(help="replaced or emptied", show_default=False)],
    name: Annotated[str, typer.Argument(help="titrant or waste", show_default=False)],
) -> None:
    """Say that a full titrant bottle was put in, or the waste container emptied."""
    _operate(bench, ["part", act, name])


def _operate(bench: Path, words: list[str]) -> None:
    from saltern.cli.logs import service_logs
    from saltern.cli.opening import opened
    from saltern.cli.present import console

    service_logs()
    with opened(bench) as here:
        here.service.operator(words)
        acting = ", ".join(row.name for row in here.service.bench.guard.acting)
    console().print(f"Done: {' '.join(words)}. Interlocks acting: {acting or 'none'}.")
