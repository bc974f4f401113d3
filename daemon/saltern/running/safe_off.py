"""Driving every output low with nobody's help: no service, no database, no valid bench file.

A service writes at its start which lines it drives, into a small file with a checksum: in the folder that lives as long
as it does, and once more on disk. `saltern safe-off` reads such lists alone. A hung service that still holds its lines
is killed first; one that is alive and scans is left alone, unless it is said by force.
"""

import fcntl
import hashlib
import json
import os
import signal
import time
from collections.abc import Callable, Sequence
from contextlib import ExitStack, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TextIO

from saltern.config.paths import DEFAULT, all_runtimes, all_states, instance_of, runtime_folder, runtime_of, state_of
from saltern.errors import NotRunningError, RemoteError, SafeOffError
from saltern.ports import LinesBusyError

ENDED_WITHIN_S = 3.0
ANSWERS_WITHIN_S = 2.0
FILE = "outputs.json"
VERSION = 2
"""Of the list: the second is locked by the process that wrote it, and says where that answers."""


@dataclass(frozen=True)
class Outputs:
    """The output lines of one service, by the kind of its wires; its process, and the socket where that answers."""

    wires: str
    lines: tuple[int, ...]
    pid: int
    socket: str = ""
    read_from: Path | None = field(default=None, compare=False)


def lists_for(bench_file: Path, records: Path, bench: str) -> tuple[Path, ...]:
    """Return where a service writes its list: its runtime folder, and a copy on disk; or else beside its records."""
    instance, runtime = instance_of(bench_file), runtime_folder(bench_file)
    beside = records.with_name(f"{bench}.{FILE}")
    on_disk = beside if instance is None else state_of(instance) / FILE
    return (on_disk,) if runtime is None else (runtime / FILE, on_disk)


def lists_of(instance: str) -> tuple[Path, ...]:
    """Return where the list of an instance may be, the one that counts first."""
    places = (runtime_of(instance) / FILE, state_of(instance) / FILE)
    before = all_runtimes() / FILE  # where versions before the first template unit wrote it
    return (*places, before) if instance == DEFAULT else places


def all_lists() -> dict[str, tuple[Path, ...]]:
    """Return every list that there is on this computer, by the name of its bench."""
    found = {}
    for folder in (all_runtimes(), all_states()):
        for path in sorted(folder.glob(f"*/{FILE}")):
            found[path.parent.name] = lists_of(path.parent.name)
        for path in sorted(folder.glob(f"*.{FILE}")):  # of services that were started by hand
            found[path.name] = (path,)
    if (all_runtimes() / FILE).exists():
        found[DEFAULT] = lists_of(DEFAULT)
    return dict(sorted(found.items()))


def write_everywhere(paths: Sequence[Path], outputs: Outputs, held: ExitStack) -> list[SafeOffError]:
    """Write the list to all of these places, locked until `held` is closed; return what kept it from some of them.

    Whoever reads a list sees by the lock whether the service that wrote it lives: the kernel lets go of it with the
    process, however that ends.

    Raises
    ------
    SafeOffError
        It can be written nowhere: a service must not run without it.
    """
    failures = []
    for path in paths:
        with suppress(OSError):  # what comes of it is reported next
            path.parent.mkdir(exist_ok=True)
        try:
            held.enter_context(write_outputs(path, outputs))
        except SafeOffError as error:
            failures.append(error)
    if len(failures) == len(paths):
        raise failures[0]
    return failures


def write_outputs(path: Path, outputs: Outputs) -> TextIO:
    """Write the file whole, or leave the old one; return it, locked until it is closed.

    Raises
    ------
    SafeOffError
        It cannot be written.
    """
    body = {
        "schema_version": VERSION,
        "wires": outputs.wires,
        "lines": list(outputs.lines),
        "pid": outputs.pid,
        "socket": outputs.socket,
    }
    partial = path.with_name(f"{path.name}.partial")
    file: TextIO | None = None
    try:
        file = partial.open("w", encoding="utf-8")
        fcntl.flock(file, fcntl.LOCK_SH)
        json.dump({**body, "sha256": _checksum(body)}, file)
        file.flush()
        os.fsync(file.fileno())
        partial.replace(path)
    except OSError as error:
        if file is not None:
            file.close()
        raise SafeOffError(
            f"the list of outputs cannot be written ({error.strerror})",
            where=str(path),
            remedy="Make the folder writable for the service's user",
        ) from error
    return file


def read_outputs(path: Path) -> Outputs:
    """Read the file.

    Raises
    ------
    SafeOffError
        It is not there, or is not what a service wrote.
    """
    try:
        table = json.loads(path.read_text(encoding="utf-8"))
        checksum = table.pop("sha256")
        lines = tuple(int(line) for line in table["lines"])
        found = Outputs(str(table["wires"]), lines, int(table["pid"]), str(table.get("socket", "")), path)
    except OSError as error:
        raise SafeOffError(
            f"the list of outputs cannot be read ({error.strerror})",
            where=str(path),
            remedy="Say it as root" if isinstance(error, PermissionError) else _BY_HAND,
        ) from error
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise SafeOffError("is not a list of outputs", where=str(path), remedy=_BY_HAND) from error
    if checksum != _checksum(table):
        raise SafeOffError("the list of outputs is damaged: its checksum differs", where=str(path), remedy=_BY_HAND)
    return found


def first_good(paths: Sequence[Path]) -> Outputs:
    """Read the first list that is there and sound.

    Raises
    ------
    SafeOffError
        None is; with what is wrong with each.
    """
    failures = []
    for path in paths:
        try:
            return read_outputs(path)
        except SafeOffError as error:
            failures.append(f"{path} {error.what}")
    raise SafeOffError("; ".join(failures), where="safe-off", remedy=_BY_HAND)


def safe_off(outputs: Outputs, force_low: Callable[[Sequence[int]], None], *, force: bool = False) -> bool:
    """Drive the lines low; a service that holds them and hangs is killed, for it did not let go by itself.

    Parameters
    ----------
    outputs
        What is to go low, and whose it is.
    force_low
        What drives lines of this kind.
    force
        Kill the service even if it is alive and scans.

    Returns
    -------
    bool
        Whether a process had to be killed.

    Raises
    ------
    SafeOffError
        The service is alive and scans, or the lines are held by somebody else.
    """
    lives = _lives(outputs)
    if lives and not force and _scans(outputs):
        raise SafeOffError(
            "the service is alive and scans its interlocks, and was left alone",
            where="safe-off",
            remedy="Stop it: systemctl stop, or say --force",
        )
    killed = lives and force
    if killed:
        os.kill(outputs.pid, signal.SIGKILL)
    deadline = time.monotonic() + ENDED_WITHIN_S
    while True:
        try:
            force_low(outputs.lines)
        except LinesBusyError:
            if not lives:
                raise SafeOffError(
                    "another process holds the GPIO lines", where="safe-off", remedy=f"Stop that one. {_BY_HAND}"
                ) from None
            if not killed:
                killed = True
                os.kill(outputs.pid, signal.SIGKILL)
            if time.monotonic() > deadline:
                raise SafeOffError(
                    f"process {outputs.pid} was killed and the lines are still held", where="safe-off", remedy=_BY_HAND
                ) from None
            time.sleep(0.05)
        else:
            return killed


_BY_HAND = "Take the bench off its supply, then start the service once: it writes the list"


def _lives(outputs: Outputs) -> bool:
    """Return whether the process that wrote the list lives: it holds the lock of the list that was read."""
    if outputs.socket and outputs.read_from is not None:
        with outputs.read_from.open("rb") as file:
            try:
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                return True
        return False
    try:  # an older list has no lock, and a number that may have been given to another process
        words = Path(f"/proc/{outputs.pid}/cmdline").read_bytes().decode(errors="replace").split("\0")
    except OSError:
        return False
    return any(Path(word).name == "saltern" or word == "saltern.cli.main" for word in words)


def _scans(outputs: Outputs) -> bool:
    """Return whether the service says, at its socket and in its time, that its control thread scans."""
    from saltern.rpc.client import Client

    if not outputs.socket:
        return False
    try:
        with Client(Path(outputs.socket), within_s=ANSWERS_WITHIN_S) as client:
            return bool(client.call("hello", within_s=ANSWERS_WITHIN_S).get("scans"))
    except (NotRunningError, RemoteError):
        return False


def _checksum(body: dict[str, object]) -> str:
    return hashlib.sha256(json.dumps(body, sort_keys=True).encode()).hexdigest()
