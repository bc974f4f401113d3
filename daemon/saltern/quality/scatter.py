"""What determinations of one water scatter by: what is stated of it, and what replicates of references have shown.

A pump's scatter on paper may be off by a factor of two either way. Three replicates say little against that, and those
of ten weeks say much. So both are pooled by their degrees of freedom, and the next result is as uncertain as Student's
distribution has it (JCGM 101:2008, 6.4.9).
"""

from dataclasses import dataclass
from math import sqrt

STATED_FREEDOM = 4.0
"""What is stated counts as much as so many degrees of freedom: it is known to about a third (assumed)."""

MOST_FREEDOM = 30.0
"""Of all that was learned: what tubes and valves do changes over some months of weekly replicates."""


@dataclass(frozen=True)
class Scatter:
    """A standard deviation and how well it is known.

    Parameters
    ----------
    sd
        Relative, of single determinations of one water.
    freedom
        Degrees of freedom, more than 2.
    """

    sd: float
    freedom: float

    @property
    def u(self) -> float:
        """Relative standard uncertainty of the next determination: that of Student's distribution."""
        return self.sd * sqrt(self.freedom / (self.freedom - 2.0))


def learned(before: Scatter | None, stated: float, found: float, count: int) -> Scatter:
    """Return the scatter after replicates.

    Parameters
    ----------
    before
        As it was; None where no replicates were measured yet.
    stated
        What the budget states, relative: it counts where nothing is known before.
    found
        Standard deviation of the replicates, relative.
    count
        How many there were; one shows nothing.
    """
    prior, more = before or Scatter(stated, STATED_FREEDOM), count - 1
    freedom = prior.freedom + more
    return Scatter(sqrt((prior.freedom * prior.sd**2 + more * found**2) / freedom), min(freedom, MOST_FREEDOM))
