"""What has changed since yesterday, with the uncertainty of a change: what two results share is not in it."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta

from saltern.model.determination import Determination, Source
from saltern.model.parts import u_of_change
from saltern.model.verdict import REPORTABLE

BACK = timedelta(hours=24)
WITHIN = timedelta(hours=12)
"""A result so much nearer or further than a day back still counts as yesterday's."""


@dataclass(frozen=True)
class Change:
    """A change of the tank's alkalinity, and its standard uncertainty, umol/kg."""

    umol_kg: float
    u_umol_kg: float
    hours: float
    across: bool  # whether the titre factor was found anew between the two


def is_reportable(d: Determination) -> bool:
    """Return whether a determination of the tank has an alkalinity that was reported."""
    return d.source is Source.TANK and d.alkalinity.verdict in REPORTABLE and d.alkalinity.value is not None


def change_since_yesterday(newest: Determination, past: Sequence[Determination]) -> Change | None:
    """Return the change from the result that lies nearest to a day before, or None where there is none.

    Parameters
    ----------
    newest, past
        The result, and others of any source and verdict, in any order.
    """
    if not is_reportable(newest):
        return None
    wanted = newest.started_at - BACK
    near = [d for d in past if is_reportable(d) and abs(d.started_at - wanted) <= WITHIN]
    if not near:
        return None
    before = min(near, key=lambda d: abs(d.started_at - wanted))
    return Change(
        (newest.alkalinity.value or 0.0) - (before.alkalinity.value or 0.0),
        u_of_change(before.alkalinity.in_parts(), newest.alkalinity.in_parts()),
        (newest.started_at - before.started_at).total_seconds() / 3600.0,
        before.calibrations.get("titre") != newest.calibrations.get("titre"),
    )
