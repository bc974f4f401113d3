"""Which alkalinity a tank is likely to have at a moment, from its last results: a Gaussian process.

The level is a mean, a trend, a day and night of any smooth shape, and a wander; where two results in a row differ by
more than those can, a step lies between them. Mean and variance are those of Rasmussen & Williams 2006, Gaussian
Processes for Machine Learning, algorithm 2.1; the day and night are their periodic covariance, equation 4.31. How far a
tank swings and wanders is not known: a grid of both is weighed by its likelihood (their equation 2.30).
"""

from collections.abc import Sequence
from itertools import product

import numpy as np

from saltern.chemistry.endpoint.curve import Estimate
from saltern.chemistry.quantities import FloatArray

LEAST_RESULTS, MOST_RESULTS = 5, 60
"""Ten days at six a day: enough for the shape of a day, and what a tank did before says little of it now."""

SWINGS_UMOL_KG = (5.0, 14.0, 35.0)
"""Of day and night, one standard deviation: a tank that takes 1 dKH a day by light alone swings by 30 (assumed)."""

WANDERS_UMOL_KG = (3.5, 9.0, 21.0)
"""In the square root of a day: a consumption that wanders by 0.03 to 0.1 dKH a day (assumed)."""

SMOOTH = 1.0
"""Of the shape of a day, in the units of equation 4.31: lamps that go on and off bend it within some hours."""

TREND_UMOL_KG_PER_DAY, LEVEL_UMOL_KG, STEP_UMOL_KG = 175.0, 1000.0, 350.0
"""Half a dKH a day either way, any level, and steps of a dKH: as wide as they must be (assumed)."""

LEAST_OWN_UMOL_KG = 0.1
"""No result is better; one that claimed to be would make the covariance singular."""

LEAST_STEP_UMOL_KG_PER_H, LEAST_STEP_U = 10.0, 5.0
"""Two results in a row differ by so much an hour, and by so many of their own uncertainties, where a step is between
them: a tank whose doser and corals are at odds by 0.7 dKH a day moves by 10 umol/kg in an hour (assumed)."""


def expected_level(at_d: Sequence[float], results: Sequence[Estimate], now_d: float) -> Estimate | None:
    """Return which alkalinity is expected, umol/kg, with the standard uncertainty of that; None of fewer than five.

    Parameters
    ----------
    at_d
        When each result was drawn, days, in order.
    results
        umol/kg, each with its own part of its uncertainty.
    now_d
        The moment, days.
    """
    if len(results) < LEAST_RESULTS:
        return None
    ago_d = np.minimum(np.array(at_d[-MOST_RESULTS:]) - now_d, 0.0)  # a clock that was set back knows no later
    values = np.array([each.value for each in results[-MOST_RESULTS:]])
    own_u = np.maximum([each.u for each in results[-MOST_RESULTS:]], LEAST_OWN_UMOL_KG)
    middle, steps = float(values.mean()), _steps(ago_d, values, own_u)
    every_d, after = np.append(ago_d, 0.0), np.vstack([steps, steps[-1:]])
    apart = every_d[:, None] - every_d[None, :]
    day = np.exp(-2.0 * np.sin(np.pi * apart) ** 2 / SMOOTH**2)
    since = np.minimum(-every_d[:, None], -every_d[None, :])
    known = LEVEL_UMOL_KG**2 + TREND_UMOL_KG_PER_DAY**2 * np.outer(every_d, every_d) + STEP_UMOL_KG**2 * after @ after.T
    logs, means, variances = [], [], []
    for swing, wander in product(SWINGS_UMOL_KG, WANDERS_UMOL_KG):
        covariance = known + swing**2 * day + wander**2 * since
        root = np.linalg.cholesky(covariance[:-1, :-1] + np.diag(own_u**2))
        reach, seen = np.linalg.solve(root, np.column_stack([covariance[:-1, -1], values - middle])).T
        logs.append(-0.5 * seen @ seen - np.log(np.diag(root)).sum())
        means.append(middle + reach @ seen)
        variances.append(covariance[-1, -1] - reach @ reach)
    likely = np.exp(np.array(logs) - max(logs))
    likely /= likely.sum()
    mean = float(likely @ means)
    return Estimate(mean, float(np.sqrt(likely @ (np.maximum(variances, 0.0) + (np.array(means) - mean) ** 2))))


def _steps(ago_d: FloatArray, values: FloatArray, own_u: FloatArray) -> FloatArray:
    """Return for each result which steps came before it, shape (results, steps), 1 or 0."""
    by_chance = LEAST_STEP_U * np.hypot(own_u[1:], own_u[:-1])
    is_step = np.abs(np.diff(values)) > by_chance + LEAST_STEP_UMOL_KG_PER_H * 24.0 * np.abs(np.diff(ago_d))
    places = 1 + np.flatnonzero(is_step)
    return np.asarray(np.arange(len(values))[:, None] >= places[None, :], dtype=float)
