"""How much results scatter, against how much they state: a fill that repeats worse than the bench file says shows.

No single determination can show how well a pump repeats. A dozen of them can: what is left of their course, once a
line, a daily wave and one step are taken from it, is scatter. Where it is more than stated, beyond chance, results are
as uncertain as they are seen to be (Birge 1932, Phys. Rev. 40, 207). What a tank does beside those three counts too.
"""

from math import sqrt
from statistics import NormalDist

import numpy as np

from saltern.quality.history import History

LEAST_RESULTS = 8
BY_CHANCE = 0.05
"""So often a bench that scatters as it states is taken to scatter more."""

DAY_H = 24.0
LEAST_EACH_SIDE = 1
"""Results before and after a step."""


def beyond_stated(history: History, own_u_umol_kg: float) -> float:
    """Return the standard uncertainty of one result that the past shows and no source states, umol/kg; 0 of too few.

    Parameters
    ----------
    history
        The last accepted results, under one titre factor.
    own_u_umol_kg
        What a result states of itself, not shared with others.
    """
    n = len(history.alkalinity)
    if n < LEAST_RESULTS or own_u_umol_kg <= 0.0:
        return 0.0
    hours = np.array([(at - history.at[0]).total_seconds() / 3600.0 for at in history.at])
    values = np.array([result.value for result in history.alkalinity])
    values -= values.mean()
    phase = 2.0 * np.pi * hours / DAY_H
    smooth = np.column_stack([np.ones(n), hours - hours.mean(), np.cos(phase), np.sin(phase)])
    least, freedom = np.inf, 0
    for step_at in range(LEAST_EACH_SIDE, n - LEAST_EACH_SIDE + 1):
        course = np.column_stack([smooth, np.arange(n) >= step_at])
        found, _, rank, _ = np.linalg.lstsq(course, values, rcond=None)
        left = float(np.sum((values - course @ found) ** 2))
        if left < least:
            least, freedom = left, n - int(rank) - 1  # one more, for where the step is
    ratio = least / own_u_umol_kg**2
    if freedom < 1 or ratio <= _chi_square_limit(freedom):
        return 0.0
    return own_u_umol_kg * sqrt(max(0.0, ratio / freedom - 1.0))


def _chi_square_limit(freedom: int) -> float:
    """Quantile of chi-square after Wilson & Hilferty 1931, PNAS 17, 684."""
    third = 2.0 / (9.0 * freedom)
    return freedom * (1.0 - third + NormalDist().inv_cdf(1.0 - BY_CHANCE) * sqrt(third)) ** 3
