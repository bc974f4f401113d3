"""How the tank's alkalinity moves: a weighted straight line through the last days."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

LEAST_RESULTS = 4
SECONDS_PER_DAY = 86400.0


@dataclass(frozen=True)
class Trend:
    """Slope with its standard uncertainty, umol/kg per day, and how many results it rests on."""

    umol_kg_per_day: float
    u_umol_kg_per_day: float
    results: int


def trend(at: Sequence[datetime], alkalinity_umol_kg: Sequence[float], u_umol_kg: Sequence[float]) -> Trend | None:
    """Return the trend, or None with fewer than four results.

    Parameters
    ----------
    at, alkalinity_umol_kg, u_umol_kg
        Times, values and standard uncertainties. Where values scatter about the line more than their uncertainties say
        (a tank swings by day and night), the slope's uncertainty grows with the scatter.
    """
    if len(at) < LEAST_RESULTS:
        return None
    days = np.array([(moment - at[0]).total_seconds() / SECONDS_PER_DAY for moment in at])
    values, weights = np.array(alkalinity_umol_kg), 1.0 / np.array(u_umol_kg) ** 2
    centre = np.average(days, weights=weights)
    spread = float(np.sum(weights * (days - centre) ** 2))
    if spread <= 0.0:
        return None
    slope = float(np.sum(weights * (days - centre) * values) / spread)
    off = values - np.average(values, weights=weights) - slope * (days - centre)
    stretch = max(1.0, float(np.sum(weights * off**2)) / (len(at) - 2))
    return Trend(slope, float(np.sqrt(stretch / spread)), len(at))
