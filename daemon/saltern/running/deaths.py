"""Deaths of a service: counted while it keeps dying, reported, and answered with a pause before the next life begins.

All is kept in the runtime folder, in memory: a full disk keeps nothing from being counted, and a stop in order, which
takes the folder away, forgets. Only the commands that systemd runs after a death write the count.
"""

import json
import os
import time
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from pathlib import Path

FILE, OPENED, LOW = "deaths.json", "opened", "outputs-are-low"
HEALTHY_S = 3600.0
"""A death after so long at work is the first of its kind again."""

FIRST_PAUSE_S, LONGEST_PAUSE_S = 15.0, 900.0
"""One death may leave acid on the probes, so the next life begins at once. A bench that cannot run is tried every
quarter of an hour: often enough to come back by itself well before the probes dry out."""


@dataclass(frozen=True)
class Deaths:
    """How often the service has died since it last worked for long, and what of it nobody has heard yet."""

    count: int = 0
    text: str = ""
    reported: bool = False
    noted: bool = False  # by the next life, in the records
    low: bool = True  # the outputs, after it

    @property
    def pause_s(self) -> float:
        """How long the next life waits: not after one death, then 15 s, twice as long each time, at most 15 minutes."""
        return 0.0 if self.count < 2 else min(FIRST_PAUSE_S * 2.0 ** (self.count - 2), LONGEST_PAUSE_S)

    @property
    def worth_reporting(self) -> bool:
        """Whether this one is: the 1st, 2nd, 4th, 8th, ..., lest a bench that cannot start floods a telephone."""
        return self.count.bit_count() == 1


def deaths(folder: Path) -> Deaths:
    """Return what is known; nothing, where the file is not there or no such file."""
    try:
        return Deaths(**json.loads((folder / FILE).read_text(encoding="utf-8")))
    except (OSError, ValueError, TypeError):
        return Deaths()


def keep(folder: Path, known: Deaths) -> None:
    partial = folder / f"{FILE}.partial"
    with suppress(OSError):  # it is reported all the same, and counted again
        partial.write_text(json.dumps(asdict(known)), encoding="utf-8")
        partial.replace(folder / FILE)


def opened(folder: Path) -> None:
    """Keep that this life has opened its bench, and when, by the clock that all processes of the computer share."""
    outputs_are_low(folder)  # what was said of the last life
    with suppress(OSError):
        (folder / OPENED).write_text(repr(time.monotonic()), encoding="ascii")


def died(folder: Path) -> Deaths:
    """Count one more death, the first again after a long life, and return what is known now."""
    try:
        worked_s = time.monotonic() - float((folder / OPENED).read_text(encoding="ascii"))
    except (OSError, ValueError):
        worked_s = 0.0
    with suppress(OSError):
        (folder / OPENED).unlink()  # the next life has yet to open
    known = deaths(folder)
    return replace(known, count=1 if worked_s >= HEALTHY_S else known.count + 1, reported=False, noted=False)


def forget(folder: Path) -> None:
    """Forget all deaths: the service was stopped in order."""
    for name in (FILE, OPENED):
        with suppress(OSError):
            (folder / name).unlink()


def outputs_are_low(folder: Path) -> bool:
    """Return whether safe-off has said so since the death; what it has not said is not so."""
    try:
        os.unlink(folder / LOW)
    except OSError:
        return False
    return True
