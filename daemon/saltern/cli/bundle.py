"""`saltern bundle`: one file for the person who helps."""

import shutil
import subprocess
from pathlib import Path
from typing import Annotated, Any

import typer

from saltern.cli.live import JsonOption
from saltern.cli.records import BenchOption
from saltern.errors import ConfigError, SalternError, StorageError

LOG_LINES = 5000
JOURNAL_WITHIN_S = 20.0


def bundle(
    to: Annotated[Path, typer.Argument(help="Zip file to write.")] = Path("saltern-bundle.zip"),
    bench: BenchOption = None,
    log: Annotated[
        Path | None, typer.Option(help="File with the service's log (default: the journal of the installed bench).")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Collect bench file, log, latest curves and versions in one file, without secrets, for whoever helps you."""
    from saltern.cli.done import say_done
    from saltern.clock import RealClock
    from saltern.config.loading import load_bench
    from saltern.config.paths import meant, records_path
    from saltern.records.bundle import bundle as written
    from saltern.records.opening import open_for_reading

    bench = meant(bench)
    if bench is None:
        raise ConfigError("which bench?", where="--bench", remedy="Give --bench BENCH.toml, or set SALTERN_BENCH")
    config = load_bench(bench)
    said = _journal(bench) if log is None else _read(log)
    store = open_for_reading(records_path(config, bench), RealClock())
    try:
        names = written(to, bench, config.name, store, RealClock().now(), log=said, status=_status(bench))
    except OSError as error:
        if isinstance(error, StorageError):
            raise
        raise StorageError(
            f"cannot be written ({error.strerror})", where=str(to), remedy="Check the folder and its disk"
        ) from error
    finally:
        store.close()
    curves = sum(name.startswith("curves/") for name in names)
    beside = [
        what for what, name in (("the service's log", "service.log"), ("its status", "status.json")) if name in names
    ]
    without = "" if len(beside) == 2 else "; no log was found (--log FILE)" if said is None else "; no service answered"
    said = (
        f"{to}: bench file, versions, {curves} curves{''.join(f', {what}' for what in beside)}{without}.\n"
        "Secrets that are known are taken out. Look through it before you hand it on."
    )
    say_done({"file": str(to), "members": sorted(names)}, said, as_json=as_json)


def _read(log: Path) -> str:
    try:
        return log.read_text(encoding="utf-8", errors="replace")
    except OSError as error:
        raise ConfigError(
            f"cannot be read ({error.strerror})", where=str(log), remedy="Give the path of a log"
        ) from error


def _journal(bench: Path) -> str | None:
    """Return the newest lines of an installed bench's journal; None where there is none that may be read."""
    from saltern.config.paths import instance_of, unit_of

    instance, program = instance_of(bench), shutil.which("journalctl")
    if instance is None or program is None:
        return None
    words = [program, "--unit", unit_of(instance), "--lines", str(LOG_LINES), "--output", "short-iso", "--no-pager"]
    try:
        done = subprocess.run(  # noqa: S603 - a program of the system, and words of ours
            words, capture_output=True, text=True, errors="replace", timeout=JOURNAL_WITHIN_S, check=False
        )
    except (OSError, subprocess.TimeoutExpired):
        return None
    return done.stdout if done.returncode == 0 and done.stdout.strip() else None


def _status(bench: Path) -> dict[str, Any] | None:
    """Return what the running service says of itself; None where none answers."""
    from saltern.cli.live import socket_of
    from saltern.rpc.client import Client

    try:
        with Client(socket_of(bench, None)) as client:
            return dict(client.call("status"))
    except SalternError:
        return None
