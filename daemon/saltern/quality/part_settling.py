"""Is a new part still settling? The results say, by how far one differs from the next.

A new line, bottle, probe or a long pause leaves a bench that is not yet what it will be. While successive results
differ by more than they state of themselves, beside what the tank usually changes, they are provisional. Ages are
bounds alone: a part that does not come to rest in its time is past settling, and something else is wrong with it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from math import hypot, sqrt
from typing import Literal

from saltern.chemistry.endpoint.curve import Estimate

Settles = Literal["alkalinity", "ph", "salinity"]

LEAST_RESULTS, AGREEING = 3, 2
"""A line takes three to five determinations (common practice); two differences in a row must be as small as stated."""

SIGMAS = 2.0
BOUNDS: dict[Settles, timedelta] = {
    "alkalinity": timedelta(days=3),
    "ph": timedelta(days=7),
    "salinity": timedelta(days=28),
}
"""A new pH probe may move for a week, a new conductivity cell for three to four weeks (common practice)."""

LIKELY = {"alkalinity": "three to five determinations", "ph": "up to a week", "salinity": "three to four weeks"}


@dataclass(frozen=True)
class NewPart:
    """Something that was changed, and what it bears on."""

    name: str
    since: datetime
    bears_on: Settles


@dataclass(frozen=True)
class Settling:
    """A part that is still settling, in words for the keeper."""

    part: NewPart
    text: str


def still_settling(
    part: NewPart, results: Sequence[tuple[datetime, Estimate]], now: datetime, usual_step: float
) -> Settling | None:
    """Return the part if its results have not come to rest.

    Parameters
    ----------
    part
        What was changed, and when.
    results
        (time, value with its own standard uncertainty) of the quantity that it bears on, oldest first, the newest
        included.
    now
        The time.
    usual_step
        How far the tank itself usually moves from one result to the next (1 sd).
    """
    if now - part.since > BOUNDS[part.bears_on]:
        return None
    since = [value for at, value in results if at >= part.since]
    steps = [
        abs(after.value - before.value) / hypot(sqrt(2.0) * max(before.u, after.u), usual_step)
        for before, after in pairwise(since)
    ]
    if len(since) >= LEAST_RESULTS and all(step <= SIGMAS for step in steps[-AGREEING:]):
        return None
    seen = f"{len(since)} results since" if len(since) < LEAST_RESULTS else f"the last moved by {steps[-1]:.1f} u"
    return Settling(
        part, f"{part.name} is new ({part.since:%Y-%m-%d}) and settles, likely {LIKELY[part.bears_on]}: {seen}"
    )
