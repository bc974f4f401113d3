"""A little room on the disk that is held for the day when the disk is full.

SQLite needs some room even to open its file. A service that starts on a full disk gives the reserve back, opens, and
has room for its ledger and its alerts until somebody has made more.
"""

import os
from contextlib import suppress
from pathlib import Path

SUFFIX, SIZE = ".reserve", 1 << 20
"""Its name, after that of the records, and its size in bytes: some hundred commits."""


def hold(records: Path) -> bool:
    """Take the room, if it is not held already; return whether it is held now."""
    path = records.with_name(records.name + SUFFIX)
    try:
        if path.exists() and path.stat().st_size == SIZE:
            return True
        with path.open("wb") as file:
            try:
                os.posix_fallocate(file.fileno(), 0, SIZE)
            except OSError:
                file.truncate(0)
                raise
    except OSError:
        return False
    return True


def give_back(records: Path) -> bool:
    """Give the room back to whoever needs it; return whether there was any."""
    path = records.with_name(records.name + SUFFIX)
    with suppress(OSError):
        if path.stat().st_size > 0:
            os.truncate(path, 0)
            return True
    return False
