"""How the tank's alkalinity moves: a weighted straight line through the last days.

Results of one epoch share the error of its titre factor, and those behind an open step share the step: each epoch has a
level of its own, and only the slope is common. So a recalibration never reads as the tank.
"""

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from saltern.model.determination import Determination
from saltern.model.parts import Parts, u_of_sum
from saltern.model.verdict import Reason
from saltern.tank.change import is_reportable

LEAST_RESULTS = 4
SECONDS_PER_DAY = 86400.0


@dataclass(frozen=True)
class Trend:
    """Slope with its standard uncertainty, umol/kg per day, and how many results it rests on."""

    umol_kg_per_day: float
    u_umol_kg_per_day: float
    results: int


def trend_of(determinations: Sequence[Determination]) -> Trend | None:
    """Return the trend of the tank in determinations, oldest first."""
    reportable = [d for d in determinations if is_reportable(d)]
    epochs: list[Hashable] = []
    steps, behind = 0, False
    for d in reportable:
        now_behind = Reason.STEP_UNEXPLAINED in d.alkalinity.reasons
        steps, behind = steps + (now_behind != behind), now_behind
        epochs.append((d.calibrations.get("titre"), steps))
    return trend(
        [d.started_at for d in reportable],
        [d.alkalinity.value or 0.0 for d in reportable],
        [d.alkalinity.in_parts() for d in reportable],
        epochs,
    )


def trend(
    at: Sequence[datetime],
    alkalinity_umol_kg: Sequence[float],
    u_umol_kg: Sequence[float | Parts],
    epochs: Sequence[Hashable] = (),
) -> Trend | None:
    """Return the trend, or None with fewer than four results.

    Parameters
    ----------
    at, alkalinity_umol_kg
        Times and values.
    u_umol_kg
        Their standard uncertainties, in two parts where they are known. Where values scatter about the line more than
        their own parts say (a tank swings by day and night), the slope's uncertainty grows with the scatter.
    epochs
        Of each result; a level is found for each. None: all are of one.
    """
    parts = [one if isinstance(one, Parts) else Parts(one) for one in u_umol_kg]
    of = list(epochs) or [None] * len(at)
    several = [n for n in range(len(at)) if of.count(of[n]) > 1]  # one alone says nothing of a slope
    if len(several) < LEAST_RESULTS:
        return None
    at, of = [at[n] for n in several], [of[n] for n in several]
    parts, values = [parts[n] for n in several], np.array([alkalinity_umol_kg[n] for n in several])
    days = np.array([(moment - at[0]).total_seconds() / SECONDS_PER_DAY for moment in at])
    weights = np.array([one.u_own for one in parts]) ** -2.0
    levels = [[n for n in range(len(of)) if of[n] == epoch] for epoch in dict.fromkeys(of)]
    about = _about_its_level(days, weights, levels)
    spread = float(np.sum(weights * about**2))
    if spread <= 0.0:
        return None
    shares = weights * about / spread  # the slope is this weighted sum of the values
    slope = float(np.sum(shares * values))
    off = _about_its_level(values - slope * days, weights, levels)
    freedom = len(at) - 1 - len(levels)
    stretch = max(1.0, float(np.sum(weights * off**2)) / freedom) if freedom > 0 else 1.0
    shared = u_of_sum([Parts(0.0, one.epochs) for one in parts], [float(share) for share in shares])
    return Trend(slope, float(np.hypot(np.sqrt(stretch / spread), shared)), len(at))


def _about_its_level(values: np.ndarray, weights: np.ndarray, levels: Sequence[Sequence[int]]) -> np.ndarray:
    found = np.array(values, dtype=float)
    for level in levels:
        found[list(level)] -= np.average(values[list(level)], weights=weights[list(level)])
    return found
