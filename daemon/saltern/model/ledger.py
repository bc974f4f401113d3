"""What is in the vessel, the titrant bottle and the waste container: intervals. A ledger is a value."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Interval:
    """A volume known to lie between `low` and `high`, mL."""

    low: float
    high: float

    def plus(self, least: float, most: float) -> "Interval":
        return Interval(self.low + least, self.high + most)

    def minus(self, least: float, most: float) -> "Interval":
        """Take out between `least` and `most`; nothing falls below zero."""
        return Interval(max(0.0, self.low - most), max(0.0, self.high - least))


@dataclass(frozen=True, slots=True)
class Ledger:
    """The volumes of one bench, mL.

    `titrant_recent_ml` is the most titrant that can have gone in lately; it empties at the daily ceiling's rate
    while the service is seen to run. `stage` names the stage under way: found at start-up, it means that the last
    run ended uncleanly.
    """

    vessel_ml: Interval
    titrant_left_ml: Interval
    waste_ml: Interval
    titrant_recent_ml: float = 0.0
    titrant_run_ml: float = 0.0  # since the vessel was last proved empty
    stage: str | None = None
