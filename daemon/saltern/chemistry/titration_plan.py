"""Which dose comes next: pure functions of the readings so far.

The plan walks down a list of pH targets. Before the end point is in sight it knows little: the electrode's
calibration, what was expected, and how far the pH has moved. It lands each dose short of its target by as much as it
may be wrong, so that a sample of much less alkalinity than expected is not overshot.
"""

from dataclasses import dataclass
from enum import Enum

import numpy as np

from saltern.chemistry.electrode import nernst_mv
from saltern.chemistry.endpoint.curve import Conditions, Curve, FloatArray, Priors
from saltern.chemistry.endpoint.least_squares import least_squares
from saltern.chemistry.equilibria import constants, total_over_free
from saltern.chemistry.seawater import totals
from saltern.chemistry.titration import alkalinity, alkalinity_without_carbon, bicarbonate_share
from saltern.errors import CurveError

TARGETS_PH_FREE: dict[str, tuple[float, ...]] = {
    "least-squares": (6.5, 6.0, 5.5, 5.2, 4.8, 4.5, 4.3, 4.0, 3.7, 3.4),
    "sop3b": (6.0, 4.5, 3.70, 3.60, 3.52, 3.45, 3.38, 3.32, 3.26, 3.20, 3.15, 3.10, 3.05),
    "gran": (6.0, 4.5, 3.70, 3.60, 3.52, 3.45, 3.38, 3.32, 3.26, 3.20, 3.15, 3.10, 3.05),
    "inflection": (6.0, 5.5, 5.2, 5.0, 4.85, 4.7, 4.6, 4.5, 4.4, 4.3, 4.2, 4.1, 3.95, 3.8, 3.6, 3.4),
    "fixed-ph": (6.0, 5.4, 5.0, 4.8, 4.65, 4.55, 4.45, 4.35, 4.2, 3.9, 3.6, 3.4, 3.2, 3.1),
}
"""Free pH of the readings each method wants: around 5.2 and 4.5 a millivolt costs the least alkalinity."""

MOST_READINGS = 30
REACHED_PH = 0.06
SAFE_SHARE_OF_EXPECTED = 0.6
"""A sample may hold 40 % less than expected: the first landing must be safe for it."""
LEAST_EXPECTED_UMOL_KG = 300.0
ALKALINE_PH_FREE, GROWTH_WHILE_ALKALINE = 8.6, 0.4
SHORT_OF_TARGET = 0.85
"""While the estimate rests on two readings, doses go so far towards their target."""


class Answer(Enum):
    """How far the sample has answered to the acid."""

    LITTLE = "the pH has hardly moved"
    SOME = "first and last reading give alkalinity and carbon"
    FITTED = "the end point is in sight"


@dataclass(frozen=True)
class _Belief:
    """What the readings so far say: mol/kg, and free [H] at each reading."""

    alkalinity: float
    carbon: float
    h: FloatArray
    answered: Answer


def next_dose_g(curve: Curve, conditions: Conditions, priors: Priors, method: str = "least-squares") -> float | None:
    """Return the mass of the next dose, g, or None when the plan has what it wants.

    Parameters
    ----------
    curve
        The readings so far; the first is that of the sample before any acid.
    conditions, priors
        As for an evaluation; `priors.alkalinity_umol_kg` is what is expected, and only guides the first dose.
    method
        Which method will evaluate the curve.
    """
    belief = _believe(curve, conditions, priors)
    ph = -np.log10(belief.h[-1])
    targets = TARGETS_PH_FREE[method]
    ahead = [target for target in targets if target < ph - REACHED_PH]
    if not ahead or len(curve.emf_mv) >= MOST_READINGS:
        return None
    given = float(curve.titrant_g[-1])
    wanted = _titrant_to_reach_g(10.0 ** -ahead[0], belief, conditions, curve) - given
    if belief.answered is Answer.LITTLE:
        # a sample whose pH has hardly moved holds several times the acid it was given: doubling that is safe
        wanted = max(wanted, given)
    if belief.answered is not Answer.FITTED:
        wanted *= SHORT_OF_TARGET
    if ph > ALKALINE_PH_FREE and given > 0.0:
        # hydroxide and carbonate go first: what follows may be a fraction of what went before
        wanted = min(wanted, GROWTH_WHILE_ALKALINE * given)
    least = 2e-6 * conditions.sample_g / conditions.titrant_mol_per_kg  # 2 umol/kg: smaller tells nothing
    most = max(given, 0.5 * max(belief.alkalinity, 3e-4) * conditions.sample_g / conditions.titrant_mol_per_kg)
    return float(np.clip(wanted, least, most))


def _believe(curve: Curve, conditions: Conditions, priors: Priors) -> _Belief:
    k = constants(conditions.salinity, float(curve.temperature_c[0]), conditions.medium)
    water = totals(conditions.salinity, conditions.medium, conditions.borate_ratio.value)
    h = _free_h(curve, conditions, priors)
    if np.count_nonzero((h > 10**-6.7) & (h < 10**-2.8)) >= 3 and h[-1] > 10**-5.6:
        try:
            found = least_squares(curve, conditions, Priors(priors.e0_mv, priors.slope, priors.noise_mv))
        except CurveError:
            pass
        else:
            if found.e0_mv is not None and found.slope is not None and found.carbon_umol_kg is not None:
                z = float(total_over_free(conditions.salinity, float(curve.temperature_c[0]), conditions.medium))
                h = np.exp((curve.emf_mv - found.e0_mv) / (nernst_mv(curve.temperature_c) * found.slope)) / z
                bare, share = _terms(curve, conditions, h)
                carbon = float(np.clip((found.alkalinity_umol_kg * 1e-6 - bare[-1]) / share[-1], 0.0, 0.02))
                return _Belief(found.alkalinity_umol_kg * 1e-6, carbon, h, Answer.FITTED)
    bare, share = _terms(curve, conditions, h)
    # two unknowns, alkalinity and carbon, from an early reading and the last; above pH 9 the electrode's offset
    # turns into hydroxide, so an early reading below it is better where there is one
    early = next((i for i in range(len(h)) if h[i] > 1e-9 and share[i] - share[-1] > 0.1), 0)
    if share[early] - share[-1] > 0.1:
        carbon = float(np.clip((bare[-1] - bare[early]) / (share[early] - share[-1]), 1e-5, 0.02))
        return _Belief(float(bare[-1] + carbon * share[-1]), carbon, h, Answer.SOME)
    expected = LEAST_EXPECTED_UMOL_KG
    if priors.alkalinity_umol_kg is not None:
        expected = max(expected, SAFE_SHARE_OF_EXPECTED * priors.alkalinity_umol_kg.value)
    a_t = expected * 1e-6
    carbon = max(1e-5, (a_t - float(alkalinity_without_carbon(h[0], k, water))) / max(float(share[0]), 0.05))
    return _Belief(a_t, min(carbon, 3.0 * a_t), h, Answer.LITTLE)


def _free_h(curve: Curve, conditions: Conditions, priors: Priors) -> FloatArray:
    """Return free [H] by the calibration; without one, from a sample assumed at pH 8."""
    slope = nernst_mv(curve.temperature_c) * priors.slope.value
    z = float(total_over_free(conditions.salinity, float(curve.temperature_c[0]), conditions.medium))
    if priors.e0_mv is None:
        return np.asarray(1e-8 * np.exp((curve.emf_mv - curve.emf_mv[0]) / slope))
    return np.asarray(np.exp((curve.emf_mv - priors.e0_mv.value) / slope) / z)


def _terms(curve: Curve, conditions: Conditions, h: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return what each reading says of the alkalinity without carbon, and with how much carbon."""
    k = constants(conditions.salinity, float(curve.temperature_c[0]), conditions.medium)
    water = totals(conditions.salinity, conditions.medium, conditions.borate_ratio.value)
    dilution = conditions.sample_g / (conditions.sample_g + curve.titrant_g)
    acid = curve.titrant_g * conditions.titrant_mol_per_kg / conditions.sample_g
    bare = acid + alkalinity_without_carbon(h, k, water, dilution) / dilution
    return np.asarray(bare), np.asarray(bicarbonate_share(h, k))


def _titrant_to_reach_g(h: float, belief: _Belief, conditions: Conditions, curve: Curve) -> float:
    """Return the cumulative titrant that brings the sample to [H] = `h`, g; two turns allow for the dilution."""
    k = constants(conditions.salinity, float(curve.temperature_c[0]), conditions.medium)
    water = totals(conditions.salinity, conditions.medium, conditions.borate_ratio.value)
    titrant_g = float(curve.titrant_g[-1])
    for _ in range(3):
        dilution = conditions.sample_g / (conditions.sample_g + titrant_g)
        acid = belief.alkalinity - float(alkalinity(h, belief.carbon, k, water, dilution)) / dilution
        titrant_g = max(0.0, acid) * conditions.sample_g / conditions.titrant_mol_per_kg
    return titrant_g
