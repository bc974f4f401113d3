"""A blank by two levels: what titrates though no alkalinity was put in.

A strong and a weaker standard of the same salt are measured; the line through them meets zero alkalinity at the blank
(Youden's method). Acid that titrates nothing, or impurities of the salt, show there, and a factor does not.
"""

from collections.abc import Callable
from statistics import mean
from typing import Annotated, Any

from pydantic import Field
from pydantic.dataclasses import dataclass as validated

from saltern.model.calibration import Cause, Kind, RefusedError
from saltern.model.determination import Determination
from saltern.model.parts import u_of_sum
from saltern.procedures.options import CHECKED
from saltern.procedures.prompts import Prompts
from saltern.procedures.standardise import demand_going_on, is_reportable

SIGMAS = 3.0
LEAST_RATIO = 1.5


CarbonateUmolKg = Annotated[float, Field(ge=300, le=6000)]


@validated(frozen=True, config=CHECKED)
class BlankOptions:
    """Two standards of the same salt, umol/kg, and how often each is measured."""

    high_umol_kg: CarbonateUmolKg
    low_umol_kg: CarbonateUmolKg
    times: Annotated[int, Field(ge=1, le=6)] = 2


def blank(prompts: Prompts, options: BlankOptions, measure: Callable[[float], Determination]) -> dict[str, Any]:
    """Measure both and return the blank, umol/kg.

    Parameters
    ----------
    prompts, options
        As ever.
    measure
        Carries out one determination of a standard of so many umol/kg.

    Raises
    ------
    RefusedError
        A determination is not accepted, the levels are too near each other, or the blank is no chance.
    """
    if options.high_umol_kg < LEAST_RATIO * options.low_umol_kg:
        raise RefusedError(
            Cause.RECOVERY,
            "the two standards are too near each other",
            kind=Kind.TITRE,
            remedy=f"Take one at least {LEAST_RATIO:g} times as strong as the other",
        )
    levels = []
    for key, level in (("inlet-in-high", options.high_umol_kg), ("inlet-in-low", options.low_umol_kg)):
        prompts.confirm(key, f"Put the sample line's inlet into the standard of {level:.0f} umol/kg")
        found = []
        for _ in range(options.times):
            found.append(measure(level))
            demand_going_on(found[-1])
        values = [d.alkalinity.value for d in found if is_reportable(d) and d.alkalinity.value is not None]
        if len(values) < options.times:
            raise RefusedError(
                Cause.NOT_ACCEPTED,
                f"a determination of the standard of {level:.0f} umol/kg was not accepted",
                kind=Kind.TITRE,
                remedy="Check its reasons: saltern results",
            )
        levels.append((mean(values), [d.alkalinity.in_parts() for d in found]))
    prompts.confirm("inlet-back", "Put the sample line's inlet back into the tank")
    (high, of_high), (low, of_low) = levels
    span = options.high_umol_kg - options.low_umol_kg
    slope = (high - low) / span
    value = low - slope * options.low_umol_kg
    weights = [-options.low_umol_kg / span / len(of_high)] * len(of_high)
    weights += [options.high_umol_kg / span / len(of_low)] * len(of_low)
    u = u_of_sum([*of_high, *of_low], weights)  # the error of a factor is in proportion, and is no blank
    prompts.say(f"blank {value:+.1f} umol/kg, u {u:.1f}; factor {slope:.4f}")
    if abs(value) > SIGMAS * u:
        raise RefusedError(
            Cause.RECOVERY,
            f"the blank is {value:+.1f} umol/kg, {abs(value) / u:.1f} standard uncertainties",
            kind=Kind.TITRE,
            remedy="The salt, the water or the titrant brings acid or base with it: use purer ones",
        )
    return {"blank_umol_kg": value, "u_umol_kg": u, "slope": slope}
