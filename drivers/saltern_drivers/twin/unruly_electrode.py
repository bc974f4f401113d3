"""An electrode that is no straight line with one lag: what a real one does beside Nernst, each by its own truth."""

from dataclasses import dataclass, field
from math import exp

import numpy as np

from saltern_drivers.twin.electrode import Electrode
from saltern_drivers.twin.lamps import Lamps

HOUR_S = 3600.0


@dataclass
class Wander:
    """E0's random walk and its knocks, by the hour, straight between; the same at every asking.

    Parameters
    ----------
    mv_per_day
        Standard deviation of a day's walk.
    knocks_per_day, knock_mv
        How often it is knocked, and the standard deviation of a knock.
    random
        Its own stream.
    """

    mv_per_day: float
    knocks_per_day: float
    knock_mv: float
    random: np.random.Generator
    at_hours_mv: list[float] = field(default_factory=lambda: [0.0])

    def at(self, time_s: float) -> float:
        """Return how far E0 has gone since time zero, mV."""
        hour, share = divmod(max(0.0, time_s) / HOUR_S, 1.0)
        while len(self.at_hours_mv) < int(hour) + 2:
            step = self.random.normal(0.0, self.mv_per_day / 24.0**0.5)
            if self.random.random() < self.knocks_per_day / 24.0:
                step += self.random.normal(0.0, self.knock_mv)
            self.at_hours_mv.append(self.at_hours_mv[-1] + step)
        before, after = self.at_hours_mv[int(hour) : int(hour) + 2]
        return before + share * (after - before)


@dataclass
class UnrulyElectrode(Electrode):
    """Curvature, a slow part, hysteresis, stirring, light, and an E0 that wanders, on top of the plain electrode."""

    curvature_mv: float = 0.0  # at pH 8, against the line through 4 and 7: a parabola through both
    slow_share: float = 0.0
    slow_lag_s: float = 60.0
    hysteresis_mv: float = 0.0
    stirring_mv: float = 0.0  # at full speed
    wander: Wander | None = None
    lamps: Lamps | None = None
    stirring: float = 0.0  # share of full speed
    slow_mv: float | None = None  # where the slow part is
    held_mv: float | None = None  # where the glass is, within its hysteresis

    def aim(self, ph_free: float, temperature_c: float) -> None:
        super().aim(ph_free, temperature_c)
        self._bend(ph_free)

    def aim_buffer(self, ph_nbs: float, temperature_c: float) -> None:
        super().aim_buffer(ph_nbs, temperature_c)
        self._bend(ph_nbs)

    def _bend(self, ph: float) -> None:
        aim = self.target_mv + self.curvature_mv * (ph - 4.0) * (ph - 7.0) / 4.0
        if self.held_mv is None:
            self.held_mv = aim
        self.held_mv = min(max(self.held_mv, aim - self.hysteresis_mv), aim + self.hysteresis_mv)
        self.target_mv = self.held_mv

    def advance(self, to_s: float) -> None:
        elapsed_s = to_s - self.at_s
        super().advance(to_s)
        if elapsed_s > 0.0 and not self.frozen:
            slow_mv = self.signal_mv if self.slow_mv is None else self.slow_mv
            self.slow_mv = self.signal_mv + (slow_mv - self.signal_mv) * exp(-elapsed_s / self.slow_lag_s)

    def read(self) -> float:
        """Return the signal at this instant, mV, with all that is added to it."""
        slow_mv = self.signal_mv if self.slow_mv is None else self.slow_mv
        added_mv = self.slow_share * (slow_mv - self.signal_mv) + self.stirring_mv * self.stirring
        if self.wander is not None:
            added_mv += self.wander.at(self.at_s)
        if self.lamps is not None:
            added_mv += self.lamps.at(self.at_s)
        return super().read() + added_mv
