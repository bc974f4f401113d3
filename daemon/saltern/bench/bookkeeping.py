"""What is in the vessel, the titrant bottle and the waste container: intervals, narrowed only by what a sensor proves.

The upper bound counts what the energised permits could have moved, not what was commanded. A ledger is a value;
every change makes a new one.
"""

from dataclasses import replace
from typing import Protocol

from saltern.model.ledger import Interval, Ledger


class LedgerStore(Protocol):
    """Where ledgers are kept, durably."""

    def load_ledger(self) -> Ledger | None:
        """Return the ledger that was committed last, or None; raise a `StorageError` where nobody knows it."""
        ...

    def commit_ledger(self, ledger: Ledger, reason: str) -> None: ...


def first(capacity_ml: float, bottle_ml: float) -> Ledger:
    """Return the ledger of a bench that starts for the first time: of the vessel nothing is known.

    A keeper who puts a bench into service puts in a full bottle and an empty container, as the README says.
    """
    return Ledger(
        vessel_ml=Interval(0.0, capacity_ml),
        titrant_left_ml=Interval(bottle_ml, bottle_ml),
        waste_ml=Interval(0.0, 0.0),
    )


def worst(
    capacity_ml: float, bottle_ml: float, container_ml: float, titrant_recent_ml: float, titrant_run_ml: float
) -> Ledger:
    """Return what is known of a bench whose state is lost: nothing but what its vessels can hold.

    Parameters
    ----------
    capacity_ml, bottle_ml, container_ml
        Of the vessel to its spout, of a full bottle of titrant, of the waste container.
    titrant_recent_ml, titrant_run_ml
        The ceilings: all of them may have been used.
    """
    return Ledger(
        vessel_ml=Interval(0.0, capacity_ml),
        titrant_left_ml=Interval(0.0, bottle_ml),
        waste_ml=Interval(0.0, container_ml),
        titrant_recent_ml=titrant_recent_ml,
        titrant_run_ml=titrant_run_ml,
    )


def after_unclean_stop(found: Ledger, capacity_ml: float, ran_on_ml: float) -> Ledger:
    """Return what is known after a stop in the middle of a stage: no more than was promised, and nothing of the least.

    Parameters
    ----------
    found
        As committed before the stage, with all that it might move.
    capacity_ml
        Of the vessel to its spout.
    ran_on_ml
        What pumps may have given after their process died, until their outputs were taken low.
    """
    return replace(found, vessel_ml=Interval(0.0, min(capacity_ml, found.vessel_ml.high + ran_on_ml)), stage=None)


def promised(ledger: Ledger, stage: str, sample_most_ml: float, titrant_most_ml: float) -> Ledger:
    """Return the ledger to commit before a stage: as if all that it may move were moved, and as if none were."""
    return replace(
        ledger,
        vessel_ml=ledger.vessel_ml.plus(0.0, sample_most_ml + titrant_most_ml),
        titrant_left_ml=ledger.titrant_left_ml.minus(0.0, titrant_most_ml),
        titrant_recent_ml=ledger.titrant_recent_ml + titrant_most_ml,
        titrant_run_ml=ledger.titrant_run_ml + titrant_most_ml,
        stage=stage,
    )


def sample_added(ledger: Ledger, least_ml: float, most_ml: float) -> Ledger:
    return replace(ledger, vessel_ml=ledger.vessel_ml.plus(least_ml, most_ml))


def titrant_added(ledger: Ledger, least_ml: float, most_ml: float) -> Ledger:
    return replace(
        ledger,
        vessel_ml=ledger.vessel_ml.plus(least_ml, most_ml),
        titrant_left_ml=ledger.titrant_left_ml.minus(least_ml, most_ml),
        titrant_recent_ml=ledger.titrant_recent_ml + most_ml,
        titrant_run_ml=ledger.titrant_run_ml + most_ml,
    )


def found_outside(ledger: Ledger, cell_dry_ml: float) -> Ledger:
    """Return what is known once a keeper has measured outside what was pumped, and the cell is still dry."""
    return replace(ledger, vessel_ml=Interval(0.0, cell_dry_ml), titrant_run_ml=0.0)


def level_unknown(ledger: Ledger, capacity_ml: float) -> Ledger:
    """Return what is known where liquid runs by itself: the vessel holds no less than it did, or all that it can."""
    return replace(ledger, vessel_ml=Interval(ledger.vessel_ml.low, capacity_ml))


def drain_promised(ledger: Ledger) -> Ledger:
    """Return the ledger to commit before a drain: as if all of the vessel had gone to waste, and as if none had."""
    return replace(ledger, waste_ml=ledger.waste_ml.plus(0.0, ledger.vessel_ml.high), stage="drain")


def drained(ledger: Ledger, most_ml: float) -> Ledger:
    """Return what is known after waste was moved but emptiness is not proved: the vessel may still hold it all."""
    moved = min(most_ml, ledger.vessel_ml.high)
    return replace(
        ledger,
        vessel_ml=Interval(max(0.0, ledger.vessel_ml.low - most_ml), ledger.vessel_ml.high),
        waste_ml=ledger.waste_ml.plus(0.0, moved),
    )


def proved_empty(ledger: Ledger, cell_dry_ml: float) -> Ledger:
    """Return what is known once the cell went from wet to dry in this drain.

    At most what lies below the cell is left. What went to waste was at least the vessel's lower bound.
    """
    low = max(0.0, ledger.vessel_ml.low - cell_dry_ml)
    return replace(
        ledger,
        vessel_ml=Interval(0.0, cell_dry_ml),
        waste_ml=ledger.waste_ml.plus(low, ledger.vessel_ml.high),
        titrant_run_ml=0.0,
        stage=None,
    )


def uptime_passed(ledger: Ledger, seconds: float, titrant_per_day_ml: float) -> Ledger:
    """Let the daily titrant allowance refill by time that the service was seen to run."""
    if ledger.titrant_recent_ml == 0.0:
        return ledger
    return replace(
        ledger,
        titrant_recent_ml=max(0.0, ledger.titrant_recent_ml - titrant_per_day_ml * seconds / 86400.0),
    )


def bottle_replaced(ledger: Ledger, bottle_ml: float) -> Ledger:
    """Return the ledger after the keeper put in a full bottle."""
    return replace(ledger, titrant_left_ml=Interval(bottle_ml, bottle_ml))


def container_emptied(ledger: Ledger) -> Ledger:
    return replace(ledger, waste_ml=Interval(0.0, 0.0))
