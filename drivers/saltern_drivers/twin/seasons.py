"""What changes by the hour, the day and the year: the room, what pumps give in it, and titrant that loses water."""

from collections.abc import Mapping
from dataclasses import dataclass
from math import pi, sin

DAY_S = 86400.0
MONTH_S, YEAR_S = 30.0 * DAY_S, 365.25 * DAY_S
WARMEST_S = 15.0 * 3600.0
"""The room is warmest at three in the afternoon."""


@dataclass(frozen=True)
class Seasons:
    """The course of a world's slow truths; `truth` has them by name."""

    truth: Mapping[str, float]

    def room_c(self, at_s: float) -> float:
        """Return the room's temperature, degC."""
        t = self.truth
        by_day = t["room_swing_k"] * sin(2.0 * pi * ((at_s - WARMEST_S) / DAY_S + 0.25)) if t["room_swing_k"] else 0.0
        by_year = t["room_season_k"] * sin(2.0 * pi * at_s / YEAR_S) if t["room_season_k"] else 0.0
        return t["room_c"] + by_day + by_year

    def gain(self, pump: str, at_s: float) -> float:
        """Return what a pump gives, over what it gave at time zero in a room of its mean temperature."""
        t = self.truth
        months = max(0.0, at_s - 3600.0 * t["ramp_from_h"]) / MONTH_S
        by_time = {
            "titrant": 1.0 / max(0.01, 1.0 + t["titre_ramp_percent_per_month"] / 100.0 * months),
            "sample": 1.0 + t["sample_ramp_percent_per_month"] / 100.0 * months,
        }
        by_room = t["flow_percent_per_k"] / 100.0 * (self.room_c(at_s) - t["room_c"])
        return max(0.0, by_time.get(pump, 1.0) * (1.0 + by_room))

    @property
    def still(self) -> bool:
        """Whether nothing changes."""
        t = self.truth
        of_time = ("room_swing_k", "room_season_k", "titre_ramp_percent_per_month", "sample_ramp_percent_per_month")
        return not any(t[name] for name in (*of_time, "evaporation_g_per_day", "permeation_percent_per_day"))


@dataclass
class IdleLine:
    """The titrant line: what stands in it loses water through the wall, and so grows stronger.

    What stood is given first, and fresh titrant follows it.
    """

    line_ml: float
    share_per_s: float
    aged_ml: float = 0.0  # of what stood
    excess: float = 0.0  # its strength over the bottle's, less 1

    def stand(self, elapsed_s: float) -> None:
        """Let it stand."""
        self.excess = self.excess * self.aged_ml / self.line_ml + self.share_per_s * elapsed_s
        self.aged_ml = self.line_ml

    def give(self, volume_ml: float) -> float:
        """Return how much more acid than the bottle's comes with a volume, as a volume of the bottle's, mL."""
        aged_ml = min(volume_ml, self.aged_ml)
        self.aged_ml -= aged_ml
        return aged_ml * self.excess
