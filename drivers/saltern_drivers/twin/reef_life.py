"""What moves a reef's alkalinity: corals whose appetite wanders, a doser that scatters, and the account of both.

Everything is in dKH of the tank's own water, and steps are of ten minutes, so that a course does not hang on how often
somebody looks.
"""

from dataclasses import dataclass, field
from math import exp, sqrt
from zlib import crc32

import numpy as np

from saltern_drivers.twin.density import seawater_g_ml

DAY_S = 86400.0
STEP_S = 600.0
MEQ_L_PER_DKH = 10.0 / (56.0774 / 2.0)
"""A German degree is 10 mg/L of CaO; M(CaO) = 56.0774 g/mol (IUPAC 2021)."""

PER_LITRE_C = 20.0
"""What is said per litre is said of water at this temperature, as on glassware."""


def umol_kg_per_dkh(salinity: float) -> float:
    """Return what a German degree is of seawater of a salinity."""
    return 1000.0 * MEQ_L_PER_DKH / seawater_g_ml(salinity, PER_LITRE_C)


@dataclass
class Wander:
    """An Ornstein-Uhlenbeck process on the ten-minute grid, exact at its points.

    Parameters
    ----------
    sd
        Its standard deviation, dKH/day.
    days
        How long it remembers.
    seed
        Of its course.
    """

    sd: float
    days: float
    seed: int
    _value: float = field(init=False)

    def __post_init__(self) -> None:
        self._random = np.random.default_rng([self.seed, crc32(b"wander")])
        self._kept = exp(-STEP_S / DAY_S / self.days)
        self._value = self.sd * self._random.standard_normal()

    def next(self) -> float:
        """Return its value for the step that begins."""
        value = self._value
        self._value = self._kept * value + self.sd * sqrt(1.0 - self._kept**2) * self._random.standard_normal()
        return value


@dataclass
class Given:
    """What the tank gets of what the keeper doses.

    Parameters
    ----------
    over_logged
        The rise over the one that the keeper counts with: another volume, another strength.
    scatter
        Of the doser from day to day, relative (one standard deviation).
    seed
        Of the scatter.
    """

    over_logged: float = 1.0
    scatter: float = 0.0
    seed: int = 0
    _days: dict[int, float] = field(default_factory=dict)

    def on(self, day: int) -> float:
        """Return what the doser truly raises on a day, over what it is set to."""
        if not self.scatter:
            return self.over_logged
        if day not in self._days:
            random = np.random.default_rng([self.seed, crc32(b"doses"), day])
            self._days[day] = self.over_logged * max(0.0, 1.0 + self.scatter * random.standard_normal())
        return self._days[day]


@dataclass(frozen=True)
class Totals:
    """Sums since the beginning: dKH, and dKH times days of the level."""

    taken: float = 0.0
    given: float = 0.0
    sampled: float = 0.0
    level_days: float = 0.0


@dataclass
class Account:
    """Sums what happens, and keeps them as they stood at each midnight."""

    now: Totals = field(default_factory=Totals)
    at_midnight: list[Totals] = field(default_factory=lambda: [Totals()])

    def add(self, *, taken: float = 0.0, given: float = 0.0, sampled: float = 0.0, level_days: float = 0.0) -> None:
        was = self.now
        self.now = Totals(was.taken + taken, was.given + given, was.sampled + sampled, was.level_days + level_days)

    def close_day(self) -> None:
        self.at_midnight.append(self.now)

    def of_day(self, day: int, window_days: int = 7) -> dict[str, float]:
        """Return the means that stood at the end of a day: rates over the window, the level over the day past.

        Parameters
        ----------
        day
            From 1.
        window_days
            Over how many days rates are meant, or since the beginning.
        """
        end, since = self.at_midnight[day], self.at_midnight[max(0, day - window_days)]
        days = min(day, window_days)
        taken = end.taken - since.taken
        net = end.given - since.given - taken - (end.sampled - since.sampled)
        level = end.level_days - self.at_midnight[day - 1].level_days
        return {
            "consumption_dkh_per_day": taken / days,
            "net_dkh_per_day": net / days,
            "alkalinity_dkh": level,
        }
