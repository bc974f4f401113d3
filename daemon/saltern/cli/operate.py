"""`saltern reset`, `empty`, `rinse`, `part`, `hold` and `bypass`: what an operator does, the service running or not.

Each takes a bench file before its own words; without one it means what `--bench` means.
"""

from pathlib import Path
from typing import Annotated

import typer

from saltern.cli.live import BenchOption, JsonOption
from saltern.errors import ConfigError

DONE_WITHIN_S = 900.0  # a drain with its tries takes minutes

BenchFile = Annotated[Path | None, typer.Argument(help="Bench file.", show_default=False)]
Words = Annotated[list[str], typer.Argument(show_default=False)]


def reset(bench_file: BenchFile = None, bench: BenchOption = None, as_json: JsonOption = False) -> None:
    """Clear all latched interlocks. This is refused while the cause of one of them lasts."""
    _operate(_bench(bench_file, bench), ["reset"], as_json=as_json)


def empty(bench_file: BenchFile = None, bench: BenchOption = None, as_json: JsonOption = False) -> None:
    """Drain the vessel, and report whether it is proved empty."""
    _operate(_bench(bench_file, bench), ["empty"], as_json=as_json)


def rinse(bench_file: BenchFile = None, bench: BenchOption = None, as_json: JsonOption = False) -> None:
    """Drain, rinse as before a determination, and leave the probes in fresh sample."""
    _operate(_bench(bench_file, bench), ["rinse"], as_json=as_json)


def part(
    words: Annotated[list[str], typer.Argument(metavar="[BENCH.toml] ACT NAME", show_default=False)],
    bench: BenchOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say what was done: replaced titrant, emptied waste, emptied vessel, or installed and the name of a part.

    ACT is replaced, emptied or installed; NAME is titrant, waste, vessel, or a part.
    """
    named, (act, name) = _own(words, 2, bench, "part ACT NAME")
    _operate(named, ["part", act, name], as_json=as_json)


def hold(
    words: Annotated[list[str], typer.Argument(metavar="[BENCH.toml] HOURS", show_default=False)],
    bench: BenchOption = None,
    as_json: JsonOption = False,
) -> None:
    """Start nothing by schedule for some hours, while you work at the bench. It ends by itself; 0 ends it now."""
    named, (hours,) = _own(words, 1, bench, "hold HOURS")
    _operate(named, ["hold", f"{_hours(hours, least=0.0):g}"], as_json=as_json)


def bypass(
    words: Annotated[list[str], typer.Argument(metavar="[BENCH.toml] NAME HOURS WHY", show_default=False)],
    bench: BenchOption = None,
    as_json: JsonOption = False,
) -> None:
    """Leave an interlock out of account for some hours: clock, proof-test or temperature-fault, never one of safety.

    WHY is the reason, for the records. A restart ends it.
    """
    named, (name, hours, why) = _own(words, 3, bench, 'bypass NAME HOURS "WHY"')
    _operate(named, ["bypass", name, f"{_hours(hours, least=0.1):g}", why], as_json=as_json)


def _own(words: list[str], count: int, bench: Path | None, form: str) -> tuple[Path, list[str]]:
    """Part the bench file, if it is there, from the command's own words."""
    if len(words) not in (count, count + 1):
        raise ConfigError(f"{len(words)} words are given", where=form.split()[0], remedy=f"Say: saltern {form}")
    first = Path(words[0]) if len(words) > count else None
    return _bench(first, bench), words[-count:]


def _bench(argument: Path | None, option: Path | None) -> Path:
    from saltern.config.paths import meant

    bench = meant(argument if argument is not None else option)
    if bench is None:
        raise ConfigError("which bench?", where="--bench", remedy="Give BENCH.toml, or set SALTERN_BENCH")
    return bench


def _hours(text: str, *, least: float) -> float:
    from saltern.model.commands import MOST_HOLD_H

    try:
        hours = float(text)
    except ValueError:
        hours = float("nan")
    if not least <= hours <= MOST_HOLD_H:
        raise ConfigError(
            f"{text!r} is not a number of hours", where="hours", remedy=f"From {least:g} to {MOST_HOLD_H:g}"
        )
    return hours


def _operate(bench: Path, words: list[str], *, as_json: bool) -> None:
    """Let the running service do it; without one, open the bench and do it here."""
    from saltern.cli.done import say_done
    from saltern.cli.live import socket_of
    from saltern.errors import NotRunningError
    from saltern.rpc.client import Client

    try:
        with Client(socket_of(bench, None)) as client:
            acting = client.call("operate", within_s=DONE_WITHIN_S, words=words)["acting"]
    except NotRunningError:
        acting = _operate_here(bench, words)
    said = f"Done: {' '.join(words)}. Interlocks acting: {', '.join(acting) or 'none'}."
    say_done({"done": words, "acting": acting}, said, as_json=as_json)


def _operate_here(bench: Path, words: list[str]) -> list[str]:
    from saltern.cli.logs import service_logs
    from saltern.cli.opening import opened

    service_logs()
    with opened(bench) as here:
        here.service.operator(words)
        return [row.name for row in here.service.bench.guard.acting]
