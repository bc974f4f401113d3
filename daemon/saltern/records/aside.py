"""A damaged file is given another name and kept: nothing is deleted."""

import os
from contextlib import suppress
from itertools import chain, count
from pathlib import Path

from saltern.ports import Clock


def put_aside(path: Path, clock: Clock) -> Path:
    """Give a file, and what SQLite keeps beside it, a name that nothing has; return it."""
    first = path.with_name(f"{path.name}.damaged-{clock.now():%Y%m%dT%H%M%S}")
    names = chain([first], (first.with_name(f"{first.name}-{number}") for number in count(2)))
    aside = next(name for name in names if not os.path.lexists(name))
    path.rename(aside)
    for tail in ("-wal", "-shm"):
        with suppress(FileNotFoundError):
            path.with_name(path.name + tail).rename(aside.with_name(aside.name + tail))
    return aside
