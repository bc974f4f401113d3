"""Acid that was counted and did not come before the first reading that an evaluation uses.

A bubble, or a pump that is weak, in the first doses shifts the whole curve: its shape, and all that is fitted to it,
stays as it was, and no residual shows it. But the sample was read before any acid. Its pH, with the carbon that the
curve shows, makes an alkalinity of its own, and acid that did not come is missing in it.
"""

from collections.abc import Sequence
from math import hypot

from saltern.chemistry.endpoint.curve import Conditions, EndPoint, Estimate, Medium
from saltern.chemistry.endpoint.least_squares import water_of
from saltern.chemistry.endpoint.sample_ph import initial_ph_total
from saltern.chemistry.equilibria import constants, total_over_free
from saltern.chemistry.titration import alkalinity, bicarbonate_share
from saltern.model.determination import Determination

PH_STEP = 1e-3


def unseen_acid(
    electrode: EndPoint, conditions: Conditions, ph_total: Estimate, temperature_c: float
) -> Estimate | None:
    """Return the acid that was counted beyond what the sample took, umol/kg of sample; None where nothing says it.

    It is the alkalinity that was found, less that of the sample as drawn: its pH and the carbon at the first reading
    used, in the definition of Dickson 1981, Deep-Sea Res. 28A, 609. CO2 that left between the two is in it.

    Parameters
    ----------
    electrode
        The evaluation that fitted electrode and carbon.
    conditions
        Of sample and titrant.
    ph_total
        Of the sample as drawn, total scale, by that electrode.
    temperature_c
        At which it was read.
    """
    if electrode.carbon_umol_kg is None or conditions.medium is not Medium.SEAWATER:
        return None
    k = constants(conditions.salinity, temperature_c, conditions.medium)
    free_per_total = 1.0 / float(total_over_free(conditions.salinity, temperature_c))
    water, carbon = water_of(conditions), electrode.carbon_umol_kg

    def as_drawn(ph: float) -> float:
        return 1e6 * float(alkalinity(10.0**-ph * free_per_total, carbon.value * 1e-6, k, water))

    taken = as_drawn(ph_total.value)
    per_ph = (as_drawn(ph_total.value + PH_STEP) - taken) / PH_STEP
    per_carbon = float(bicarbonate_share(10.0**-ph_total.value * free_per_total, k))
    return Estimate(electrode.alkalinity_umol_kg - taken, hypot(per_ph * ph_total.u, per_carbon * carbon.u))


def unseen_acids(results: Sequence[Determination]) -> tuple[Estimate, ...]:
    """Return the same of results that still have their curve, in their order."""
    found = []
    for d in results:
        if d.curve is None or d.conditions is None or d.end_point is None or d.temperature_c is None:
            continue
        if d.end_point.e0_mv is None or d.end_point.slope is None or d.curve.titrant_g[0] > 0.0:
            continue
        ph_total = initial_ph_total(d.curve, d.end_point, d.conditions)
        acid = unseen_acid(d.end_point, d.conditions, ph_total, d.temperature_c)
        found += [] if acid is None else [acid]
    return tuple(found)
