"""A world that outlives its process: kept in a memory-mapped file at every change, and found again by the next one.

Two slots are written in turn, each with its number, length and checksum, so that a process killed in the middle of
writing leaves the other whole. While no process runs the world goes on: the next one integrates the time between.
"""

import mmap
import os
import pickle
import struct
import time
import zlib
from pathlib import Path
from typing import Any

from saltern.ports import MisuseError
from saltern_drivers.twin.world import World

VARIABLE = "SALTERN_TWIN_STATE"
"""Environment: path of the file; without it a simulated world ends with its process."""

HEADER = struct.Struct("<QQIdd")  # number, length, checksum, world's time, machine's time
SLOT_BYTES = 1 << 20
ORIGIN = struct.Struct("<d")  # after both slots: the machine's time when the world began
LEFT_OUT = (
    "bench", "intakes", "_media", "_media_of_own", "on_add", "_heads",
    "real", "seasons", "nature",  # drawn again by the same seed
)  # fmt: skip


class Afterlife:
    """The file.

    Parameters
    ----------
    path
        Made if it is not there.
    """

    def __init__(self, path: Path) -> None:
        fresh = not path.exists()
        self._file = path.open("w+b" if fresh else "r+b")
        size = 2 * SLOT_BYTES + ORIGIN.size
        if fresh:
            self._file.truncate(size)
        self._map = mmap.mmap(self._file.fileno(), size)
        if fresh:
            self._map[2 * SLOT_BYTES :] = ORIGIN.pack(time.time())
        self._number = 0

    def keep(self, world: World) -> None:
        """Write the world as it is now into the older slot."""
        body = pickle.dumps({name: value for name, value in world.__dict__.items() if name not in LEFT_OUT})
        if len(body) > SLOT_BYTES - HEADER.size:
            raise MisuseError("the world has grown too large to be kept", where="twin", remedy="Report it")
        self._number += 1
        at = (self._number % 2) * SLOT_BYTES
        self._map[at : at + HEADER.size] = bytes(HEADER.size)  # not whole until the header is back
        self._map[at + HEADER.size : at + HEADER.size + len(body)] = body
        header = HEADER.pack(self._number, len(body), zlib.crc32(body), world.at_s, time.time())
        self._map[at : at + HEADER.size] = header

    def found(self) -> tuple[dict[str, Any], float, float] | None:
        """Return the newest whole state, the world's time and the machine's time then; None in a new file."""
        newest: tuple[int, dict[str, Any], float, float] | None = None
        for at in (0, SLOT_BYTES):
            number, length, checksum, world_s, machine_s = HEADER.unpack(self._map[at : at + HEADER.size])
            body = self._map[at + HEADER.size : at + HEADER.size + min(length, SLOT_BYTES)]
            if number and zlib.crc32(body) == checksum and (newest is None or number > newest[0]):
                newest = (number, pickle.loads(body), world_s, machine_s)  # noqa: S301 - written by this program
        if newest is None:
            return None
        self._number = newest[0]
        return newest[1:]

    def began_at(self) -> float:
        """Return the machine's time when this world began."""
        (at,) = ORIGIN.unpack(self._map[2 * SLOT_BYTES :])
        return float(at)

    def close(self) -> None:
        self._map.close()
        self._file.close()


def take_up(world: World, state: dict[str, Any]) -> None:
    """Make a world what it was; pulse trains ended with the process that timed them.

    Wires hold on to pump heads, so that these are changed and not replaced.
    """
    heads = world.pumps
    for name, was in state["pumps"].items():
        heads[name].__dict__.update(was.__dict__)
        heads[name].trains.clear()
    world.__dict__.update({**state, "pumps": heads})


def begins(pace: float) -> tuple[float, float | None]:
    """Return the time of a world that outlived its process, and the machine's time when it began, if there is one.

    What has passed since its last process counts at the same pace, so that both its clocks go on as if there had been
    no gap.
    """
    path = os.environ.get(VARIABLE)
    if not path or not Path(path).exists():
        return 0.0, None
    kept = Afterlife(Path(path))
    try:
        found, began_at = kept.found(), kept.began_at()
    finally:
        kept.close()
    if found is None:
        return 0.0, None
    _, world_s, machine_s = found
    return world_s + pace * max(0.0, time.time() - machine_s), began_at
