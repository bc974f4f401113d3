"""Control charts: Shewhart for individual values, EWMA, CUSUM. ISO 7870-2, -6 and -4; NIST/SEMATECH e-Handbook 6.3.2.

They look at references, and at what a filtered series did not expect. A chart says that something has changed, and not
what: `findings` does.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from saltern.chemistry.quantities import FloatArray

RANGE_PER_SD = 1.128
"""d2 of two values: the mean range of two draws from a normal distribution, over its standard deviation."""

SHEWHART_WIDTH = 3.0


@dataclass(frozen=True)
class Chart:
    """One chart: the line drawn, its limits, and where it lies outside them. Arrays have the length of the series."""

    line: FloatArray
    centre: float
    low: FloatArray
    high: FloatArray

    @property
    def out(self) -> tuple[int, ...]:
        """The places outside the limits."""
        return tuple(int(i) for i in np.flatnonzero((self.line > self.high) | (self.line < self.low)))


@dataclass(frozen=True)
class Cusum:
    """Two sums, of what is above the target by more than the slack, and below; both positive. Shape (k,)."""

    above: FloatArray
    below: FloatArray
    limit: float

    @property
    def out(self) -> tuple[int, ...]:
        return tuple(int(i) for i in np.flatnonzero(np.maximum(self.above, self.below) > self.limit))


def moving_range_sd(values: Sequence[float]) -> float:
    """Return the standard deviation from the mean moving range, which a slow drift hardly widens.

    Raises
    ------
    ValueError
        There are fewer than two values.
    """
    if len(values) < 2:
        msg = "a range needs two values"
        raise ValueError(msg)
    return float(np.mean(np.abs(np.diff(values)))) / RANGE_PER_SD


def shewhart(values: Sequence[float], centre: float, sd: float, width: float = SHEWHART_WIDTH) -> Chart:
    """Return a chart of individual values with limits at `width` standard deviations (ISO 7870-2)."""
    line = np.asarray(values, dtype=float)
    even = np.ones_like(line)
    return Chart(line, centre, (centre - width * sd) * even, (centre + width * sd) * even)


def ewma(
    values: Sequence[float], centre: float, sd: float, weight: float = 0.2, width: float = 2.86, *, steady: bool = False
) -> Chart:
    """Return an exponentially weighted moving average (ISO 7870-6).

    Parameters
    ----------
    values, centre, sd
        The series, where it ought to lie, and its standard deviation.
    weight
        Of the newest value, 0 to 1.
    width
        Of the limits, in standard deviations of the line; 2.86 at 0.2: a false alarm in 370 values (Lucas & Saccucci
        1990, Technometrics 32, 1).
    steady
        Limits as after many values, from the first.
    """
    line = np.empty(len(values))
    last = centre
    for i, value in enumerate(values):
        last = weight * value + (1.0 - weight) * last
        line[i] = last
    passed = np.full(len(values), np.inf) if steady else np.arange(1, len(values) + 1)
    spread = width * sd * np.sqrt(weight / (2.0 - weight) * (1.0 - (1.0 - weight) ** (2.0 * passed)))
    return Chart(line, centre, centre - spread, centre + spread)


def cusum(values: Sequence[float], target: float, slack: float, limit: float) -> Cusum:
    """Return a two-sided tabular CUSUM (ISO 7870-4).

    Parameters
    ----------
    values, target
        The series, and where it ought to lie.
    slack, limit
        k and h, in the unit of the series: half of the shift that matters, and where a sum means that there was one.
    """
    above, below = np.zeros(len(values)), np.zeros(len(values))
    high = low = 0.0
    for i, value in enumerate(values):
        high, low = max(0.0, high + value - target - slack), max(0.0, low + target - slack - value)
        above[i], below[i] = high, low
    return Cusum(above, below, limit)
