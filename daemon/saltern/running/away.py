"""What a keeper's absence asks of a bench: what would run out, and a schedule that lasts. Pure functions."""

from dataclasses import dataclass
from math import floor

from saltern.config.tables import BenchConfig, Schedule
from saltern.model.ledger import Ledger
from saltern.procedures.arithmetic import sample_per_run_ml, titrant_per_run_ml

MARGIN = 1.15
"""A determination may take more than computed: repeats, richer water."""


@dataclass(frozen=True)
class Outlook:
    """How many determinations an absence asks for, how many each store allows, and the gap that makes them last."""

    days: float
    wanted: int
    by_titrant: int
    by_waste: int
    gap_h: float  # 0: the schedule may stay as it is

    @property
    def possible(self) -> int:
        return min(self.by_titrant, self.by_waste)

    @property
    def lasts(self) -> bool:
        """Whether at least one determination a day is left."""
        return self.possible >= self.days


def outlook(config: BenchConfig, ledger: Ledger, dkh: float, days: float) -> Outlook:
    """Return what so many days without a keeper come to.

    Parameters
    ----------
    config, ledger
        The bench, and what its bottle and container are sure to have left.
    dkh
        The alkalinity to expect.
    days
        Until somebody is there again.
    """
    titrant_ml = MARGIN * titrant_per_run_ml(config, dkh)
    waste_ml = MARGIN * (sample_per_run_ml(config) + titrant_ml)
    room_ml = config.waste.container_ml - config.vessel.capacity_ml - ledger.waste_ml.high
    wanted = max(1, round(days * config.schedule.starts_per_day))
    by_titrant = floor(max(0.0, ledger.titrant_left_ml.low) / titrant_ml)
    by_waste = floor(max(0.0, room_ml) / waste_ml)
    possible = min(by_titrant, by_waste)
    gap_h = 0.0 if possible >= wanted else 24.0 * days / max(possible, 1)
    return Outlook(days, wanted, by_titrant, by_waste, gap_h)


def stretched(schedule: Schedule, gap_h: float) -> Schedule:
    """Return the schedule with its starts at least so far apart."""
    changes: dict[str, float] = {"min_gap_h": max(schedule.min_gap_h, gap_h)}
    if schedule.by_interval:
        changes["every_h"] = max(schedule.every_h, gap_h)
    return schedule.model_copy(update=changes)
