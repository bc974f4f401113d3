"""Driving every output low with nobody's help: no service, no database, no valid bench file.

The service writes at its start which lines it drives, into a small file with a checksum. `saltern safe-off` reads that
file alone. Where a hung service still holds the lines, it is killed first.
"""

import hashlib
import json
import os
import signal
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from saltern.errors import SafeOffError
from saltern.ports import LinesBusyError

ENDED_WITHIN_S = 3.0
FILE = "outputs.json"


@dataclass(frozen=True)
class Outputs:
    """The output lines of one service, by the kind of its wires."""

    wires: str
    lines: tuple[int, ...]
    pid: int


def outputs_path(records: Path, bench: str) -> Path:
    """Return where a service writes its outputs: systemd's runtime directory, or else beside the records."""
    runtime = os.environ.get("RUNTIME_DIRECTORY")
    return Path(runtime) / FILE if runtime else records.with_name(f"{bench}.{FILE}")


def write_outputs(path: Path, outputs: Outputs) -> None:
    """Write the file whole, or leave the old one.

    Raises
    ------
    SafeOffError
        It cannot be written: a service must not run without it.
    """
    body = {"schema_version": 1, "wires": outputs.wires, "lines": list(outputs.lines), "pid": outputs.pid}
    partial = path.with_name(f"{path.name}.partial")
    try:
        with partial.open("w", encoding="utf-8") as file:
            json.dump({**body, "sha256": _checksum(body)}, file)
            file.flush()
            os.fsync(file.fileno())
        partial.replace(path)
    except OSError as error:
        raise SafeOffError(
            f"the list of outputs cannot be written ({error.strerror})",
            where=str(path),
            remedy="Make the folder writable for the service's user",
        ) from error


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
        found = Outputs(str(table["wires"]), tuple(int(line) for line in table["lines"]), int(table["pid"]))
    except OSError as error:
        raise SafeOffError(
            f"the list of outputs cannot be read ({error.strerror})", where=str(path), remedy=_BY_HAND
        ) from error
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise SafeOffError("is not a list of outputs", where=str(path), remedy=_BY_HAND) from error
    if checksum != _checksum(table):
        raise SafeOffError("the list of outputs is damaged: its checksum differs", where=str(path), remedy=_BY_HAND)
    return found


def safe_off(outputs: Outputs, force_low: Callable[[Sequence[int]], None]) -> bool:
    """Drive the lines low; a service that holds them is killed, for it did not let go by itself.

    Returns
    -------
    bool
        Whether a process had to be killed.

    Raises
    ------
    SafeOffError
        The lines are held by somebody else.
    """
    try:
        force_low(outputs.lines)
    except LinesBusyError:
        if not _is_saltern(outputs.pid):
            raise SafeOffError(
                "the lines are held by another process", where="safe-off", remedy=f"Stop that one. {_BY_HAND}"
            ) from None
    else:
        return False
    os.kill(outputs.pid, signal.SIGKILL)
    deadline = time.monotonic() + ENDED_WITHIN_S
    while True:
        try:
            force_low(outputs.lines)
        except LinesBusyError:
            if time.monotonic() > deadline:
                raise SafeOffError(
                    f"process {outputs.pid} was killed and the lines are still held", where="safe-off", remedy=_BY_HAND
                ) from None
            time.sleep(0.05)
        else:
            return True


_BY_HAND = "Take the bench off its supply, then start the service once: it writes the list"


def _is_saltern(pid: int) -> bool:
    """Return whether that process runs this program: its number may have been given to another."""
    try:
        words = Path(f"/proc/{pid}/cmdline").read_bytes().decode(errors="replace").split("\0")
    except OSError:
        return False
    return any(Path(word).name == "saltern" or word == "saltern.cli.main" for word in words)


def _checksum(body: dict[str, object]) -> str:
    return hashlib.sha256(json.dumps(body, sort_keys=True).encode()).hexdigest()
