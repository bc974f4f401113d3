"""Two small files beside the records: the ledger, and the trips and states that hold the bench.

Each says again what a row of the records says, with the row's generation and a checksum. A damaged row is read from
its file. Records that are older than their file, or gone, are found out: an old backup knows nothing of what was
pumped since.
"""

import json
import os
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from saltern.errors import StorageError

LEDGER, LATCHES = ".ledger.json", ".latches.json"
"""Added to the name of the records."""


@dataclass(frozen=True)
class Beside:
    """What a small file says."""

    generation: int
    body: dict[str, Any]


class UnsoundError(StorageError):
    """A small file is there, and is not as it was written."""


def write(path: Path, generation: int, body: dict[str, Any]) -> None:
    """Write a small file whole or not at all, durable when this returns.

    Raises
    ------
    StorageError
        The disk does not take it.
    """
    said = json.dumps({"generation": generation, **body}, sort_keys=True)
    partial = path.with_name(f"{path.name}.partial")
    try:
        with partial.open("w", encoding="utf-8") as file:
            file.write(f"{said}\n{zlib.crc32(said.encode()):08x}\n")
            file.flush()
            os.fsync(file.fileno())
        os.replace(partial, path)
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
    except OSError as error:
        raise StorageError(
            f"a small file beside the records could not be kept ({error.strerror})",
            where=str(path),
            remedy="Make room on the disk, and make its folder writable for the service's user",
        ) from error


def read(path: Path) -> Beside | None:
    """Return what a small file says, or None where there is none.

    Raises
    ------
    UnsoundError
        It is not as it was written.
    """
    try:
        return _said_in(path.read_bytes())
    except FileNotFoundError:
        return None
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise UnsoundError(
            f"a small file beside the records is damaged ({error})", where=str(path), remedy="It is moved aside"
        ) from error


def _said_in(data: bytes) -> Beside:
    said, total = data.removesuffix(b"\n").split(b"\n")
    if zlib.crc32(said) != int(total, 16):
        raise ValueError("its checksum differs")
    body = json.loads(said)
    return Beside(int(body.pop("generation")), body)
