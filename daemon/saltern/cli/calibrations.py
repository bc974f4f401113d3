"""`saltern calibrations`: what was calibrated when, by whom, with what outcome, and which of it counts."""

import json
from datetime import datetime
from getpass import getuser
from pathlib import Path
from typing import Annotated, Any
from zoneinfo import ZoneInfo

import typer

from saltern.cli.live import BenchOption, JsonOption, SocketOption, socket_of

calibrations = typer.Typer(help="List, show, compare, roll back and export calibrations.", no_args_is_help=True)

DbOption = Annotated[Path | None, typer.Option(help="Records to read.")]
BenchFileOption = Annotated[
    Path | None, typer.Option("--bench", envvar="SALTERN_BENCH", help="Bench file whose records are read.")
]


@calibrations.command("list")
def list_(
    kind: Annotated[str | None, typer.Argument(help="List only this kind: titre, ph, sample-pump ...")] = None,
    db: DbOption = None,
    bench: BenchFileOption = None,
    as_json: JsonOption = False,
) -> None:
    """List calibrations, newest first; an asterisk marks those in force."""
    from saltern.cli.present import console, print_json, say, say_lines

    found = _read(db, bench, kind)
    if as_json:
        print_json({"schema_version": 1, "calibrations": found})
        return
    if not found:
        console().print("None yet: the bench file counts.")
        return
    from saltern.cli.results import reader_of
    from saltern.clock import RealClock

    zone = reader_of(db, bench).zone
    say_lines(calibration_lines(found, zone, RealClock().now(), console().width), bold=1)
    say(f"* in force. Times are those of {zone.key}.", style="dim")


def calibration_lines(found: list[dict[str, Any]], zone: ZoneInfo, now: datetime, width: int) -> list[str]:
    """Return calibrations as lines for a screen of this width; what came of each stands under its row."""
    from saltern.cli.present_lines import columns, wrapped
    from saltern.cli.present_time import short

    roomy = width >= WITH_NAMES
    table = [["", "no.", "when", "what", "outcome", "by"]]
    for one in found:
        at = short(datetime.fromisoformat(one["at_utc"]), now, zone)
        by = one["by"] if len(one["by"]) <= LONGEST_NAME else one["by"][: LONGEST_NAME - 1] + "…"
        table.append(["*" if one["in_force"] else "", str(one["id"]), at, one["kind"], one["outcome"], by])
    heading, *rows = columns(table if roomy else [line[:-1] for line in table], left=frozenset({0, 2, 3, 4, 5}))
    lines = [heading]
    for one, row in zip(found, rows, strict=True):
        lines += [row, *wrapped(one["words"] if roomy else f"{one['words']} (by {one['by']})", width, indent=5)]
    return lines


LONGEST_NAME = 12
WITH_NAMES = 76
"""Columns of a screen from which on there is room for who it was."""


@calibrations.command("show")
def show(
    number: Annotated[int, typer.Argument(min=1)],
    against: Annotated[int | None, typer.Option(min=1, help="Number of a second calibration to compare with.")] = None,
    db: DbOption = None,
    bench: BenchFileOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show one calibration with its readings and statistics, or two side by side."""
    from saltern.cli.present import console, print_json
    from saltern.errors import ConfigError

    known = {one["id"]: one for one in _read(db, bench, None)}
    wanted = [n for n in (number, against) if n is not None]
    missing = [n for n in wanted if n not in known]
    if missing:
        raise ConfigError(
            f"there is no calibration {missing[0]}", where="records", remedy="See: saltern calibrations list"
        )
    chosen = [known[n] for n in wanted]
    if as_json:
        print_json({"schema_version": 1, "calibrations": chosen})
        return
    screen = console()
    for one in chosen:
        screen.print(f"[bold]{one['id']}[/bold] {one['kind']}, {one['at_utc']}, by {one['by']}: {one['outcome']}")
        screen.print(one["words"])
    for group in ("values", "statistics"):
        for name in dict.fromkeys(key for one in chosen for key in one[group]):
            values = "   ".join(_word(one[group].get(name)) for one in chosen)
            was = (
                f"   (before: {_word(chosen[0]['before'].get(name))})" if group == "values" and len(chosen) == 1 else ""
            )
            screen.print(f"  {name:<40} {values}{was}")
    for one in chosen:
        for reading in one["readings"]:
            screen.print(f"  {one['id']}: " + ", ".join(f"{key} {_word(value)}" for key, value in reading.items()))


@calibrations.command("export")
def export(
    to: Annotated[Path, typer.Argument(help="JSON file to write.", show_default=False)],
    db: DbOption = None,
    bench: BenchFileOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write all calibrations to a file."""
    from saltern.cli.done import say_done

    found = _read(db, bench, None)
    to.write_text(json.dumps({"schema_version": 1, "calibrations": found}, indent=1) + "\n")
    say_done({"file": str(to), "calibrations": len(found)}, f"Written: {to}", as_json=as_json)


@calibrations.command("roll-back")
def roll_back(
    kind: Annotated[
        str, typer.Argument(help="Kind of calibration: titre, ph, conductivity, sample-pump ...", show_default=False)
    ],
    to: Annotated[str, typer.Argument(help="Number of the calibration to use, or bench-file.", show_default=False)],
    who: Annotated[str | None, typer.Option(help="Your name, for the records (default: the user's name).")] = None,
    bench: BenchOption = None,
    socket: SocketOption = None,
    as_json: JsonOption = False,
) -> None:
    """Use an earlier calibration again, or the bench file's values. Nothing is deleted."""
    from saltern.cli.done import say_done
    from saltern.errors import ConfigError
    from saltern.rpc.client import Client

    if to != "bench-file" and not to.isdigit():
        raise ConfigError(f"{to!r} is neither a number nor bench-file", where="roll-back", remedy="See the list")
    number = None if to == "bench-file" else int(to)
    with Client(socket_of(bench, socket)) as client:
        found = client.call("roll-back", kind=kind, number=number, who=who or getuser())
    say_done(found, f"In force for {kind}: {to}.", as_json=as_json)


def _read(db: Path | None, bench: Path | None, kind: str | None) -> list[dict[str, Any]]:
    from saltern.cli.results import records_path
    from saltern.clock import RealClock
    from saltern.records.calibrations import listed
    from saltern.records.opening import open_for_reading

    store = open_for_reading(records_path(db, bench), RealClock())
    try:
        return listed(store, kind)
    finally:
        store.close()


def _word(value: Any) -> str:
    return f"{value:.6g}" if isinstance(value, float) else str(value)
