"""`saltern safe-off`: every output low, whatever else is broken."""

import os
import sys
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Annotated

import typer

from saltern.cli.live import JsonOption


def safe_off(
    outputs: Annotated[
        Path | None, typer.Argument(help="List of outputs that a service wrote (default: every list on this computer).")
    ] = None,
    instance: Annotated[
        str | None, typer.Option(help="Only the outputs of this installed bench.", show_default=False)
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Kill the service even if it is alive and scanning.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Drive every output low, without service, records or bench file; a hung service is killed first."""
    from saltern.cli.done import say_done
    from saltern.config.paths import bench_file_of, runtime_of
    from saltern.errors import ConfigError, SafeOffError
    from saltern.running.deaths import LOW
    from saltern.running.safe_off import FILE, all_lists, lists_of

    folder = os.environ.get("RUNTIME_DIRECTORY")
    if outputs is not None and instance is not None:
        raise ConfigError("a list and an instance", where="safe-off", remedy="Give one of them")
    if instance is not None:
        bench_file_of(instance)  # refuses what cannot be one
        lists = lists_of(instance)
        if os.environ.get("SERVICE_RESULT") and not any(os.path.exists(path) for path in lists):
            never = "This bench was never opened: there is no list of its outputs, on disk or in memory."
            say_done({"benches": []}, never, as_json=as_json)
        else:
            low = _low(instance, lists, force=force)
            say_done({"benches": [asdict(low)]}, low.words, as_json=as_json)
        with suppress(OSError):  # for the report of a death; by hand there may be no such folder
            (runtime_of(instance) / LOW).touch()
        return
    if outputs is not None or folder:
        path = outputs if outputs is not None else Path(str(folder)) / FILE
        low = _low(path.name, (path,), force=force)
        say_done({"benches": [asdict(low)]}, low.words, as_json=as_json)
        return
    found, done, failed = all_lists(), list[Low](), 0
    if not found:
        raise SafeOffError(
            "there is no list of outputs on this computer, or none that you may read",
            where="safe-off",
            remedy="Say it as root, or give the path of a list: NAME.outputs.json beside the records",
        )
    for name, paths in found.items():
        try:
            done.append(_low(name, paths, force=force))
            if not as_json:
                typer.echo(f"{name}: {done[-1].words}")
        except Exception as error:  # noqa: BLE001 - the outputs of one bench must not keep up those of another
            failed += 1
            sys.stderr.write(f"{name}: {error}\n")
    if as_json:
        say_done({"benches": [asdict(low) for low in done]}, "", as_json=True)
    if failed:
        raise typer.Exit(1)


@dataclass(frozen=True)
class Low:
    """What was driven low of one bench."""

    name: str
    outputs: int
    killed: bool

    @property
    def words(self) -> str:
        return f"{self.outputs} outputs are low." + (" The service that held them was killed." if self.killed else "")


def _low(name: str, paths: Sequence[Path], *, force: bool) -> Low:
    from importlib.metadata import entry_points

    from saltern.running.safe_off import first_good
    from saltern.running.safe_off import safe_off as drive_low

    found = first_good(paths)
    (force_low,) = entry_points(group="saltern.safe_off", name=found.wires)
    killed = drive_low(found, force_low.load(), force=force)
    return Low(name, len(found.lines), bool(killed))
