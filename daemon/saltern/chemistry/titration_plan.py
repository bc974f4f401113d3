"""Which dose comes next: pure functions of the readings so far.

For the default method the targets are computed, after every reading, from the information that readings at each pH
would add for this sample, this electrode and these pumps (`endpoint.information`). The other methods read off the curve
what they want at fixed places. Before the end point is in sight a dose lands short of its target by as much as the
alkalinity may be wrong, so that a sample of much less than expected is not overshot.
"""

from dataclasses import dataclass

import numpy as np

from saltern.chemistry.endpoint.curve import Conditions, Curve, FloatArray, Priors
from saltern.chemistry.endpoint.first_guess import WINDOW_PH_FREE
from saltern.chemistry.endpoint.information import Plans, Statistics, acid_at, alkalinity_sd, cost_of
from saltern.chemistry.endpoint.methods import DEFAULT
from saltern.chemistry.endpoint.methods import method as method_named
from saltern.chemistry.titration_knowledge import Answer, Knowledge

MOST_READINGS = 30
REACHED_PH = 0.06
LEAST_TAKEN = 6
"""Readings below pH 6.9 that a curve must have before it may end: fewer could not show that something is wrong."""

PASSED_PH = 4.4
NOT_WORTH = 0.02
"""More readings are not worth it where all that may follow would lower the cost by less than this part."""

SAFE_SHARE_OF_EXPECTED = 0.5
"""A first dose of half the acid expected cannot overshoot a sample that holds 40 % less."""
ALKALINE_PH_FREE, GROWTH_WHILE_ALKALINE = 8.6, 0.4
SHORT_OF_TARGET = 0.85
"""While the alkalinity rests on two readings, a dose beyond half of it goes so far towards its target."""

LEAST_DOSE_UMOL_KG = 2.0


@dataclass(frozen=True)
class Effort:
    """What readings and doses of this bench are like, and how far a titration is to go."""

    reading_sd_mv: float  # of a settled reading
    dose_walk_g: float  # sd of one gram of titrant; grows with the square root of the mass
    reading_every_s: float  # dose and settling together
    most_readings: int = 10  # the first, without acid, counted
    goal_u_umol_kg: float | None = None  # of the fit: enough is enough


def next_dose_g(
    knowledge: Knowledge, curve: Curve, conditions: Conditions, priors: Priors, effort: Effort, method: str = DEFAULT
) -> float | None:
    """Return the mass of the next dose, g, or None when the plan has what it wants.

    Parameters
    ----------
    knowledge
        What the readings so far say: `saltern.chemistry.titration_knowledge.knowledge_of`.
    curve
        The readings so far; the first is that of the sample before any acid.
    conditions, priors
        As for an evaluation; `priors.alkalinity_umol_kg` is what is expected, and only guides the first doses.
    effort
        What readings and doses are like, and how far to go.
    method
        Which method will evaluate the curve.
    """
    statistics = Statistics(
        reading_sd_mv=effort.reading_sd_mv,
        dose_variance_per_mol_kg=effort.dose_walk_g**2 * conditions.titrant_mol_per_kg / conditions.sample_g,
        reading_every_s=effort.reading_every_s,
        acid_mol_per_kg=conditions.titrant_mol_per_kg,
    )
    if len(curve.emf_mv) >= MOST_READINGS:
        return None
    wanted_ph_free = method_named(method).targets_ph_free
    if wanted_ph_free is None:
        target = _most_informative(knowledge, statistics, effort, len(curve.emf_mv))
    else:
        ahead = [t for t in wanted_ph_free if t < knowledge.ph_free[-1] - REACHED_PH]
        target = ahead[0] if ahead else None
    if target is None:
        return None
    acid = _safe_acid(curve, conditions, priors, knowledge, _acid_to(knowledge, statistics, target, curve, conditions))
    return max(acid, LEAST_DOSE_UMOL_KG * 1e-6) * conditions.sample_g / conditions.titrant_mol_per_kg


def _most_informative(knowledge: Knowledge, statistics: Statistics, effort: Effort, readings: int) -> float | None:
    """Return the pH of the next reading of the best plan, or None where no plan is worth its readings."""
    belief = knowledge.belief
    taken = _taken(knowledge)
    more = min(max(effort.most_readings - readings, LEAST_TAKEN - len(taken)), MOST_READINGS - readings)
    if more <= 0:
        return None
    plans = Plans(belief, statistics, taken)
    targets, promised = plans.best(more)
    if len(targets) == 0:
        return None
    enough = (1.0 + NOT_WORTH) * promised.min()
    passed = knowledge.answered is Answer.FITTED and len(taken) >= LEAST_TAKEN and taken[-1] < PASSED_PH
    if passed:
        sd_umol_kg = float(alkalinity_sd(belief, statistics, taken[None, :])[0]) * 1e6
        if effort.goal_u_umol_kg is not None and sd_umol_kg <= effort.goal_u_umol_kg:
            return None
        if float(cost_of(belief, statistics, taken[None, :])[0]) <= enough:
            return None
    wanted = max(int(np.argmax(promised <= enough)) + 1, LEAST_TAKEN - len(taken), 1)
    if wanted < len(targets):
        targets, _ = plans.best(wanted)
    return float(targets[0])


def _taken(knowledge: Knowledge) -> FloatArray:
    """Return the pH of the readings that count; noise may not make them rise."""
    ph = knowledge.ph_free
    return np.minimum.accumulate(ph[(ph < WINDOW_PH_FREE[1]) & (ph > WINDOW_PH_FREE[0])])


def _acid_to(
    knowledge: Knowledge, statistics: Statistics, target: float, curve: Curve, conditions: Conditions
) -> float:
    """Return the acid, mol/kg of sample, from the last reading to the target."""
    taken = _taken(knowledge)
    if len(taken):
        path = acid_at(knowledge.belief, statistics, np.append(taken, min(target, taken[-1]))[None, :])[0]
        return float(path[-1] - path[-2])
    given = float(curve.titrant_g[-1]) * conditions.titrant_mol_per_kg / conditions.sample_g
    return float(acid_at(knowledge.belief, statistics, np.array([[target]]))[0, 0]) - given


def _safe_acid(curve: Curve, conditions: Conditions, priors: Priors, knowledge: Knowledge, wanted: float) -> float:
    """Return as much of the wanted acid, mol/kg, as what is known allows."""
    given = float(curve.titrant_g[-1]) * conditions.titrant_mol_per_kg / conditions.sample_g
    alkalinity = float(knowledge.belief.theta[0])
    if knowledge.answered is Answer.LITTLE:
        # a sample whose pH has hardly moved holds several times the acid it was given: doubling that is safe
        wanted = max(wanted, given)
        if priors.alkalinity_umol_kg is None:
            wanted *= SHORT_OF_TARGET
    elif given + wanted > SAFE_SHARE_OF_EXPECTED * alkalinity:
        if knowledge.answered is Answer.SOME:
            wanted *= SHORT_OF_TARGET
        wanted -= min(knowledge.alkalinity_sd, 0.5 * wanted)
    if knowledge.ph_free[-1] > ALKALINE_PH_FREE and given > 0.0:
        # hydroxide and carbonate go first: what follows may be a fraction of what went before
        wanted = min(wanted, GROWTH_WHILE_ALKALINE * given)
    return min(wanted, max(given, SAFE_SHARE_OF_EXPECTED * alkalinity))
