"""`saltern bring-up`: from a built bench to the first acid, step by step; and the checklist of a first day."""

import os
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any
from zoneinfo import ZoneInfo

import typer

from saltern.cli.guide import AnswerOption, WhoOption, YesOption, begin, commands
from saltern.cli.live import BenchOption, JsonOption, SocketOption, socket_of


@commands.command("bring-up")
def bring_up(
    step: Annotated[str | None, typer.Argument(help="Step to try again (default: the next step).")] = None,
    listed: Annotated[bool, typer.Option("--list", help="Show the checklist and do nothing else.")] = False,
    write: Annotated[
        bool, typer.Option("--write", help="Print the bench file with the measured values. As root, write it.")
    ] = False,
    answer: AnswerOption = None,
    yes: YesOption = False,
    who: WhoOption = None,
    bench: BenchOption = None,
    socket: SocketOption = None,
    as_json: JsonOption = False,
) -> None:
    """Try a new bench, step by step, before it may have acid: the next step each time, each refused out of its order.

    What passes is on record, and can be tried again. A step that fails says what was seen, and what to do.
    """
    if write:
        _write(bench)
        return
    if not listed:
        begin("bring-up", {"step": step}, answer, yes, who, bench, socket, as_json)
        return
    from saltern.cli.present import console, print_json, say_lines
    from saltern.rpc.client import Client

    with Client(socket_of(bench, socket)) as client:
        found = client.call("status")
    if as_json:
        print_json({"schema_version": 1, **found["bring_up"]})
        return
    now, zone = datetime.fromisoformat(found["at_utc"]), ZoneInfo(found["time_zone"])
    say_lines(checklist_lines(found["bring_up"], now, zone, console().width), bold=1)


def checklist_lines(found: dict[str, Any], now: datetime, zone: ZoneInfo, width: int) -> list[str]:
    """Return the checklist for a screen of this width: what was passed when and by whom, and what comes next."""
    from saltern.cli.present_lines import wrapped
    from saltern.cli.present_time import short

    coming = found["next"]
    lines = [f"{found['done']} of {len(found['items'])} are on record"]
    for number, item in enumerate(found["items"], start=1):
        mark = ">" if item == coming else "*" if item["passed_utc"] is not None else " "
        text = f"{mark}{number:3} {item['name']}: {item['title']}"
        if item["passed_utc"] is not None:
            by = f" by {item['who']}" if item["who"] else ""
            text += f" (passed {short(datetime.fromisoformat(item['passed_utc']), now, zone)}{by})"
        lines += wrapped(text, width, hanging=5)
    if coming is not None:
        lines += wrapped(f"Next: {coming['command']}", width, hanging=6)
    return lines


def _write(bench: Path | None) -> None:
    """Merge what the bring-up measured into the bench file; only root may write where a service may not."""
    from saltern.clock import RealClock
    from saltern.config.loading import load_bench
    from saltern.config.merging import merged, replace_file
    from saltern.config.paths import meant, records_path
    from saltern.errors import ConfigError
    from saltern.records.calibrations import taken_up
    from saltern.records.opening import open_for_reading

    file = meant(bench)
    if file is None:
        raise ConfigError("which bench?", where="--bench", remedy="Give BENCH.toml, or set SALTERN_BENCH")
    config = load_bench(file)
    store = open_for_reading(records_path(config, file), RealClock())
    try:
        counting = taken_up(config, store).counting
    finally:
        store.close()
    values = {
        name: (value, f"measured {kept.at:%Y-%m-%d} by {kept.who}: {kind.value}")
        for kind, kept in counting.items()
        if kind.value.startswith("bring-up")
        for name, value in kept.values.items()
        if value is not None
    }
    if not values:
        raise ConfigError("nothing was measured yet", where="bring-up --write", remedy="Go on: saltern bring-up")
    text = merged(file.read_text(encoding="utf-8"), values, where=str(file))
    if os.geteuid() == 0:
        replace_file(file, text)
        typer.echo(f"{file} holds what was measured: {', '.join(values)}")
    else:
        typer.echo(text, nl=False)
