"""The tank's lamps on the electrode: while they shine, its signal is shifted.

Silver chloride in an electrode's halves feels light (Moody, Oke & Thomas 1969, Analyst 94, 803; from memory). How much
reaches the electrode through shaft and lid is a matter of the bench, and its size here is assumed.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import exp

DAY_S = 86400.0
LIT_S = 12.0 * 3600.0
"""The lamps shine for so long each day (common practice)."""
SETTLES_S = 60.0
"""Time constant with which the shift comes and goes (assumed)."""


@dataclass(frozen=True)
class Lamps:
    """What light does.

    Parameters
    ----------
    shift_mv
        In full light.
    from_h
        The hour of the day at which the lamps go on.
    """

    shift_mv: float
    from_h: float

    def at(self, time_s: float) -> float:
        """Return the shift at a time, mV; midnight is time zero."""
        since_on_s = (time_s - 3600.0 * self.from_h) % DAY_S
        if since_on_s < LIT_S:
            return self.shift_mv * (1.0 - exp(-since_on_s / SETTLES_S))
        return self.shift_mv * exp(-(since_on_s - LIT_S) / SETTLES_S)


def lamps_of(truth: Mapping[str, float]) -> Lamps | None:
    """Return the lamps of a world; None where the electrode does not feel them."""
    return Lamps(truth["light_mv"], truth["light_from_h"]) if truth["light_mv"] else None
