"""What the instrument's own record says against it: slope, offset, residual and rest of the electrode, salinity's cell.

A change of the tank's alkalinity moves none of them. Each sign is how far the last results lie from those before.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import exp, hypot, sqrt
from statistics import median

from saltern.model.determination import Determination
from saltern.model.verdict import REPORTABLE, Reason
from saltern.tank.findings import Cause

LAST, BEFORE, LEAST_BEFORE = 4, 40, 8
MAD_TO_SD = 1.4826
BEFOREHAND = 0.02
"""How likely each trouble is before anything is seen of it (assumed)."""

WIDE_SD = 5.0
MOST_RATIO = 1000.0
"""A record of some weeks is no proof: it never says more than so many to one (assumed)."""

SLOPE_FLOOR, OFFSET_FLOOR_MV, RESIDUAL_FLOOR_MV, SALINITY_FLOOR = 0.003, 1.0, 0.03, 0.1
"""What each moves by without a reason from week to week, one standard deviation (assumed)."""


@dataclass(frozen=True)
class Sign:
    """One trouble of the instrument: how much likelier the record is with it than without, and what was seen."""

    cause: Cause
    ratio: float
    seen: str

    @property
    def weight(self) -> float:
        """Against one for no trouble at all."""
        return BEFOREHAND * self.ratio


def signs(results: Sequence[Determination], newest: Sequence[Determination]) -> list[Sign]:
    """Return what speaks of each trouble.

    Parameters
    ----------
    results
        Reportable results of the tank, oldest first.
    newest
        The last determinations of any verdict, newest first: a dead electrode gives no result.
    """
    found = [
        *_shifted(results, Cause.ELECTRODE_AGED, "slope", "%", 100.0, _slope, SLOPE_FLOOR, -1.0),
        *_shifted(results, Cause.ELECTRODE_OFFSET, "offset E0", "mV", 1.0, _offset_mv, OFFSET_FLOOR_MV, 0.0),
        *_shifted(results, Cause.STIRRER, "residual of the curve", "mV", 1.0, _residual_mv, RESIDUAL_FLOOR_MV, 1.0),
        *_shifted(results, Cause.CELL_FOULED, "salinity", "", 1.0, _salinity, SALINITY_FLOOR, -1.0),
    ]
    last = list(newest[:LAST])
    mute = sum(Reason.NO_RESPONSE in d.alkalinity.reasons for d in last)
    if last and mute:
        words = f"no acid shown in {mute} of the last {len(last)} determinations"
        found.append(Sign(Cause.ELECTRODE_DEAD, min(MOST_RATIO, 30.0**mute), words))
    restless = sum(Reason.UNSETTLED in d.alkalinity.reasons for d in last)
    if last and restless:
        words = f"the electrode did not settle in {restless} of the last {len(last)} determinations"
        found.append(Sign(Cause.STIRRER, min(MOST_RATIO, 6.0**restless), words))
    return found


def _shifted(
    results: Sequence[Determination],
    cause: Cause,
    name: str,
    unit: str,
    scale: float,
    value_of: Callable[[Determination], float | None],
    floor: float,
    side: float,
) -> list[Sign]:
    """Compare the last values with those before; `side` is the direction that speaks of the trouble, 0 for either."""
    values = [value for d in results if (value := value_of(d)) is not None]
    last, before = values[-LAST:], values[-LAST - BEFORE : -LAST]
    if len(before) < LEAST_BEFORE:
        return []
    was, now = median(before), median(last)
    spread = MAD_TO_SD * median(abs(value - was) for value in before)
    z = (now - was) / hypot(spread / sqrt(LAST), floor)
    against = z * side if side else abs(z)
    ratio = min(MOST_RATIO, _ratio(against)) if against > 0.0 else _ratio(0.0)
    return [Sign(cause, ratio, f"{name} {scale * now:.2f}{unit and f' {unit}'}, {scale * was:.2f} before")]


def _ratio(z: float) -> float:
    """Return how much likelier such a shift is from a broad distribution than from chance."""
    return exp(min(60.0, 0.5 * z * z - 0.5 * (z / WIDE_SD) ** 2)) / WIDE_SD


def _slope(d: Determination) -> float | None:
    return None if d.end_point is None else d.end_point.slope


def _offset_mv(d: Determination) -> float | None:
    return None if d.end_point is None else d.end_point.e0_mv


def _residual_mv(d: Determination) -> float | None:
    return None if d.end_point is None else d.end_point.residual_mv


def _salinity(d: Determination) -> float | None:
    return d.salinity.value if d.salinity.verdict in REPORTABLE else None
