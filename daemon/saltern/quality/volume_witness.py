"""A wrong volume has a mark: alkalinity and electrode's potential move together, by amounts that belong together.

A titrant pump that gives 5 % less, or a sample pump that draws 5 % more, makes the alkalinity 5 % larger, and the acid
beyond the end point is taken for 5 % more than there is: the fitted potential falls by RT/F times that, 1.3 mV. A tank
that changes leaves the potential alone, and an electrode that moves leaves the alkalinity alone. So a repeated change
of both, in this proportion, does not become right by repetition.

Acid that did not come before the first reading has a mark of its own (`carbon_balance`), which needs no step beside it.
"""

from collections.abc import Sequence
from itertools import pairwise
from math import hypot, log
from statistics import median

from saltern.chemistry.electrode import nernst_slope_mv
from saltern.chemistry.endpoint.curve import Estimate
from saltern.model.determination import Determination
from saltern.model.verdict import Verdict
from saltern.quality.carbon_balance import unseen_acids
from saltern.quality.history import (
    LEAST_RESULTS,
    OFFSET_FLOOR_MV,
    UNSEEN_FLOOR_UMOL_KG,
    UNSEEN_OWN,
    limit,
    pivot_mv,
    usual_of,
)

TOGETHER = 2.0
"""The two agree within so many standard uncertainties of their difference."""

SHOWS, BEYOND_USUAL = 3.0, 2.0
"""So many of its own uncertainties, and of the tank's usual steps, the alkalinity must have moved by."""

WITNESSED = 2.5
"""The witness must have moved by so many of its usual scatters: two marks that fit need less than one alone."""


def volume_moved(new: Determination, past: Sequence[Determination]) -> str:
    """Return in words what says that a volume of this determination is wrong; nothing where nothing does.

    Parameters
    ----------
    new
        A determination with a value, which is accepted if nothing speaks against it.
    past
        Those before it that were reportable, oldest first. What was calibrated otherwise does not count.
    """
    accepted = [d for d in past if d.alkalinity.verdict is Verdict.ACCEPTED and d.calibrations == new.calibrations]
    if len(accepted) < LEAST_RESULTS or new.alkalinity.value is None:
        return ""
    acid = _unseen_acid(new, accepted)
    if acid is not None and abs(acid.value) > limit() * acid.u:
        return f"{acid.value:+.0f} umol/kg of acid beyond the usual were counted before the first reading used, unseen"
    last = accepted[-1].alkalinity
    before, now = last.value or 0.0, new.alkalinity.value
    u = hypot(last.in_parts().u_own, new.alkalinity.in_parts().u_own)
    step = median(abs((b.alkalinity.value or 0.0) - (a.alkalinity.value or 0.0)) for a, b in pairwise(accepted))
    moved = Estimate(now - before, hypot(u, step))
    off = _by_potential(new, accepted)
    if off is None or abs(off.value) <= WITNESSED * off.u or abs(moved.value) <= max(SHOWS * u, BEYOND_USUAL * step):
        return ""
    if abs(off.value - moved.value) > TOGETHER * hypot(off.u, moved.u):
        return ""
    return (
        f"the alkalinity moved by {moved.value:+.0f} umol/kg, and the electrode's potential as it does for a volume "
        f"that is wrong by {100.0 * off.value / before:+.1f} %"
    )


def _by_potential(new: Determination, accepted: Sequence[Determination]) -> Estimate | None:
    """Return by how much the alkalinity is wrong, umol/kg, if the electrode's potential moved for a volume's sake."""
    pivots = [_pivot_mv(d) for d in accepted]
    past, pivot = [mv for mv in pivots if mv is not None], _pivot_mv(new)
    if pivot is None or len(past) < LEAST_RESULTS or new.alkalinity.value is None or new.temperature_c is None:
        return None
    usual, scatter_mv = usual_of(past, OFFSET_FLOOR_MV)
    per_mv = new.alkalinity.value / (nernst_slope_mv(new.temperature_c) / log(10.0))
    return Estimate(-per_mv * (pivot - usual), per_mv * scatter_mv)


def _unseen_acid(new: Determination, accepted: Sequence[Determination]) -> Estimate | None:
    past, now = unseen_acids(accepted), unseen_acids([new])
    if len(past) < LEAST_RESULTS or not now:
        return None
    floor = max(UNSEEN_FLOOR_UMOL_KG, UNSEEN_OWN * now[0].u)
    usual, scatter = usual_of([acid.value for acid in past], floor)
    return Estimate(now[0].value - usual, scatter)


def _pivot_mv(d: Determination) -> float | None:
    if d.end_point is None or d.temperature_c is None:
        return None
    return pivot_mv(d.end_point, d.temperature_c)
