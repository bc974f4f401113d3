"""Spike recovery: a known addition to a bucket of water must be found again."""

from collections.abc import Callable
from math import hypot
from typing import Annotated, Any

from pydantic import Field
from pydantic.dataclasses import dataclass as validated

from saltern.model.calibration import Cause, Kind, RefusedError
from saltern.model.determination import Determination
from saltern.model.parts import u_of_change
from saltern.procedures.options import CHECKED
from saltern.procedures.prompts import Prompts
from saltern.procedures.standardise import demand_going_on, is_reportable

RECOVERY_PERCENT = (95.0, 105.0)
"""Bounds of a sound method (common practice in water analysis); wider where the uncertainty asks for it."""


@validated(frozen=True, config=CHECKED)
class SpikeOptions:
    """What is added to the bucket, umol/kg of its water, and its standard uncertainty."""

    added_umol_kg: Annotated[float, Field(ge=50, le=3000)]
    u_umol_kg: Annotated[float, Field(ge=0, le=1000)] = 0.0


def spike(prompts: Prompts, options: SpikeOptions, measure: Callable[[], Determination]) -> dict[str, Any]:
    """Measure a bucket, let carbonate be added, measure again, and return the recovery.

    Raises
    ------
    RefusedError
        A determination is not accepted, or the recovery is out of bounds.
    """
    prompts.confirm(
        "inlet-in-bucket", "Put the sample line's inlet into a bucket with some litres of tank water, weighed"
    )
    before = measure()
    demand_going_on(before)
    prompts.confirm(
        "spiked", f"Add carbonate or bicarbonate worth {options.added_umol_kg:.0f} umol/kg, dissolved, and stir well"
    )
    after = measure()
    demand_going_on(after)
    prompts.confirm("inlet-back", "Put the sample line's inlet back into the tank")
    pair = (before, after)
    values = [d.alkalinity.value for d in pair if is_reportable(d) and d.alkalinity.value is not None]
    if len(values) < 2:
        raise RefusedError(
            Cause.NOT_ACCEPTED,
            "one of the two determinations was not accepted",
            kind=Kind.TITRE,
            remedy="Check their reasons: saltern results",
        )
    found = values[1] - values[0]
    u_found = u_of_change(before.alkalinity.in_parts(), after.alkalinity.in_parts())
    u = hypot(u_found, options.u_umol_kg) / options.added_umol_kg
    recovery, wide = 100.0 * found / options.added_umol_kg, 200.0 * u
    prompts.say(f"recovered {recovery:.1f} % of {options.added_umol_kg:.0f} umol/kg, +- {wide:.1f} % (k = 2)")
    if not RECOVERY_PERCENT[0] - wide <= recovery <= RECOVERY_PERCENT[1] + wide:
        raise RefusedError(
            Cause.RECOVERY,
            f"{recovery:.1f} % of the addition was found",
            kind=Kind.TITRE,
            remedy="Check the addition's mass and the bucket's; then measure a reference",
        )
    return {
        "recovery_percent": recovery,
        "u_percent": 100.0 * u,
        "before_umol_kg": values[0],
        "after_umol_kg": values[1],
    }
