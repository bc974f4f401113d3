"""The inorganic carbon of a tank's water: what moves it, in umol/kg, so that its pH follows and is not given.

Corals lay down one carbon with two of alkalinity, soda brings them back in that ratio, algae take carbon by day and
give it back by night, and the room's air draws the dissolved CO2 towards its own (a rate proportional to the
difference: Liss & Slater 1974, Nature 247, 181). How fast, and how much algae take, is assumed: a mixed reef whose pH
swings by about 0.2 from morning to afternoon (common observation).
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import atan, cos, pi, sin, sqrt

CARBON_PER_ALKALINITY = 0.5
"""Of calcium carbonate, which corals lay down, and of sodium carbonate, which is dosed."""

RELAXES_D = 3.0 / 24.0
"""In this time air and water draw near by a factor of e, at a pH of 8 (assumed)."""

CO2_PER_CARBON = 0.05
"""By how much dissolved CO2 grows with all carbon at a pH of 8: a Revelle factor of 9 on 12 of 2,150 umol/kg."""

SWING_UMOL_KG = 62.0
"""Amplitude of the day's course of carbon (assumed)."""

_PER_DAY = 2.0 * pi * RELAXES_D
_ALGAE_PER_DAY = SWING_UMOL_KG * sqrt(1.0 + _PER_DAY**2) / RELAXES_D
EXCHANGE_PER_DAY = 1.0 / (RELAXES_D * CO2_PER_CARBON)


@dataclass
class Carbon:
    """Carbon of a tank's water, and what its dissolved CO2 would be in balance with the room's air.

    Parameters
    ----------
    umol_kg
        Inorganic carbon now.
    air_umol_kg
        Dissolved CO2 in balance with the air.
    """

    umol_kg: float
    air_umol_kg: float

    def pass_time(self, begin_d: float, end_d: float) -> None:
        """Let algae breathe, from one time to another, in days: they take most at noon and give most at midnight."""
        self.umol_kg += _ALGAE_PER_DAY * (sin(2.0 * pi * end_d) - sin(2.0 * pi * begin_d)) / (2.0 * pi)

    def with_alkalinity(self, umol_kg: float) -> None:
        """Take the carbon that comes, or goes, with so much alkalinity of a carbonate."""
        self.umol_kg = max(0.0, self.umol_kg + CARBON_PER_ALKALINITY * umol_kg)

    def breathe(self, days: float, co2_umol_kg: float) -> None:
        """Exchange CO2 with the air for a time short against `RELAXES_D`."""
        self.umol_kg = max(0.0, self.umol_kg + EXCHANGE_PER_DAY * (self.air_umol_kg - co2_umol_kg) * days)


def begun(at_d: float, mean_umol_kg: float, co2_of: Callable[[float], float]) -> Carbon:
    """Return the carbon of a tank whose days have been alike for long.

    Parameters
    ----------
    at_d
        The time, days from a midnight.
    mean_umol_kg
        The day's mean.
    co2_of
        What of so much carbon is dissolved CO2, umol/kg.
    """
    course = SWING_UMOL_KG * cos(2.0 * pi * at_d - atan(_PER_DAY))
    return Carbon(mean_umol_kg + course, co2_of(mean_umol_kg))
