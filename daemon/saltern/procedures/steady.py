"""Waiting until a probe in a beaker is steady: the signal decides, from its slope and its noise."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from saltern.bench.bench import Bench

READ_EVERY_S = 2.0
WINDOW_S = 60.0
SIGMAS = 3.0


@dataclass(frozen=True)
class Steady:
    """The last minute of a signal."""

    value: float  # mean over the window
    noise: float  # sd of single readings, from second differences
    slope_per_min: float
    steady: bool
    took_s: float


def until_steady(
    bench: Bench,
    read: Callable[[], float],
    see: Callable[[float], None],
    *,
    slope_per_min: float,
    least_s: float,
    most_s: float,
) -> Steady:
    """Read until the slope over a minute is small, or cannot be distinguished from noise.

    Parameters
    ----------
    bench
        Where time passes.
    read
        One reading.
    see
        Is shown each.
    slope_per_min
        What counts as steady, in the reading's unit a minute; where noise hides a slope of that size, three standard
        deviations of the slope do.
    least_s, most_s
        Waited at least, and at most: after that the last minute is returned, marked as not steady.
    """
    begun_s = bench.clock.monotonic()
    times: list[float] = []
    values: list[float] = []
    while True:
        values.append(read())
        times.append(bench.clock.monotonic() - begun_s)
        see(values[-1])
        if times[-1] >= max(least_s, WINDOW_S):
            found = _look_back(np.array(times), np.array(values), slope_per_min)
            if found.steady or times[-1] >= most_s:
                return found
        bench.wait(READ_EVERY_S)


def _look_back(times: np.ndarray, values: np.ndarray, slope_per_min: float) -> Steady:
    window = times >= times[-1] - WINDOW_S
    t, v = times[window], values[window]
    slope, level = np.polyfit(t - t.mean(), v, 1)
    noise = float(np.sqrt(np.mean(np.diff(v, 2) ** 2) / 6.0))  # blind to a bend, which is no noise
    slope_u = noise / float(np.sqrt(np.sum((t - t.mean()) ** 2)))
    steady = abs(slope) * 60.0 < max(slope_per_min, SIGMAS * slope_u * 60.0)
    return Steady(float(level), noise, float(slope) * 60.0, bool(steady), float(times[-1]))
