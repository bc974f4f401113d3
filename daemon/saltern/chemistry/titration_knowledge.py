"""What is known of sample and electrode while the titration still runs: enough to choose the next dose."""

from dataclasses import dataclass
from enum import Enum

import numpy as np

from saltern.chemistry.electrode import nernst_mv
from saltern.chemistry.endpoint.curve import Conditions, Curve, Estimate, FloatArray, Priors
from saltern.chemistry.endpoint.information import Belief
from saltern.chemistry.endpoint.least_squares import (
    LOSS_Z,
    equilibrium_carbon,
    guided_solution,
    solution_of,
    water_of,
    weighed_priors,
)
from saltern.chemistry.endpoint.reading_model import PIVOT_H, medium_of
from saltern.chemistry.equilibria import constants, total_over_free
from saltern.chemistry.titration import alkalinity_without_carbon, bicarbonate_share
from saltern.errors import CurveError

LEAST_EXPECTED_UMOL_KG = 300.0
UNCALIBRATED = Estimate(8.0, 25.0)
"""Free pH assumed of a sample whose electrode was never calibrated, and how wrong that may be, mV."""

ANSWERED_SHARE = 0.1
CARBON_WITHIN = 0.15
FITTED_BELOW_PH, LEAST_FITTED = 5.6, 3


class Answer(Enum):
    """How far the sample has answered to the acid."""

    LITTLE = "the pH has hardly moved"
    SOME = "first and last reading give alkalinity and carbon"
    FITTED = "the end point is in sight"


@dataclass(frozen=True)
class Knowledge:
    """A belief with how much it rests on, and free pH at each reading so far."""

    belief: Belief
    ph_free: FloatArray
    alkalinity_sd: float  # mol/kg
    answered: Answer


def knowledge_of(curve: Curve, conditions: Conditions, priors: Priors) -> Knowledge:
    """Return what the readings so far say.

    Parameters
    ----------
    curve
        The readings so far; the first is that of the sample before any acid.
    conditions, priors
        As for an evaluation; `priors.alkalinity_umol_kg`, where given, is what is expected of the sample.
    """
    known = _with_offset(curve, conditions, priors)
    theta, answered = _first_belief(curve, conditions, known)
    sd = np.inf if answered is Answer.LITTLE else CARBON_WITHIN * theta[0]
    weighed = None
    ph = _ph_free(curve, theta)
    if answered is not Answer.LITTLE and ph[-1] < 6.9:
        held = np.array([np.inf, np.inf, np.inf, CARBON_WITHIN * theta[3], np.inf])
        try:
            if np.count_nonzero((ph < 6.7) & (ph > 2.8)) >= LEAST_FITTED and ph[-1] < FITTED_BELOW_PH:
                solution, answered = solution_of(curve, conditions, priors), Answer.FITTED
            else:
                solution = guided_solution(curve, conditions, known, theta, held)
        except (CurveError, np.linalg.LinAlgError):
            pass  # the first belief stands: it is enough for the next dose
        else:
            theta, weighed = solution.theta, solution.priors
            sd = float(np.sqrt(solution.parameter_covariance[0, 0]))
            ph = _ph_free(curve, theta)
    k = constants(conditions.salinity, float(curve.temperature_c[0]), conditions.medium)
    nernst = float(nernst_mv(curve.temperature_c[:1])[0])
    air = equilibrium_carbon(k)
    if weighed is None:
        weighed = weighed_priors(
            conditions,
            known,
            alkalinity=float(theta[0]),
            e4_mv=float(theta[1]),
            nernst=nernst,
            free_offset=_free_offset(curve, conditions),
            equilibrium_carbon=air,
        )
    belief = Belief(theta, weighed, medium_of(k, water_of(conditions)), nernst, air, conditions.co2)
    return Knowledge(belief, ph, sd, answered)


def _first_belief(curve: Curve, conditions: Conditions, priors: Priors) -> tuple[FloatArray, Answer]:
    """Return parameters from the calibration, and alkalinity and carbon from an early reading and the last."""
    offset = priors.e0_mv.value if priors.e0_mv is not None else 0.0
    slope, nernst = priors.slope.value, nernst_mv(curve.temperature_c)
    e4 = offset + slope * nernst[0] * np.log(PIVOT_H * _free_offset(curve, conditions))
    h = PIVOT_H * np.exp((curve.emf_mv - e4) / (slope * nernst))
    k = constants(conditions.salinity, float(curve.temperature_c[0]), conditions.medium)
    dilution = conditions.sample_g / (conditions.sample_g + curve.titrant_g)
    acid = curve.titrant_g * conditions.titrant_mol_per_kg / conditions.sample_g
    bare = np.asarray(acid + alkalinity_without_carbon(h, k, water_of(conditions), dilution) / dilution)
    share = np.asarray(bicarbonate_share(h, k))
    # above pH 9 the electrode's offset turns into hydroxide, so an early reading below it is better where there is one
    early = next((i for i in range(len(h)) if h[i] > 1e-9 and share[i] - share[-1] > ANSWERED_SHARE), 0)
    if share[early] - share[-1] > ANSWERED_SHARE:
        carbon = float(np.clip((bare[-1] - bare[early]) / (share[early] - share[-1]), 1e-5, 0.02))
        alkalinity, answered = float(bare[-1] + carbon * share[-1]), Answer.SOME
    else:
        alkalinity = LEAST_EXPECTED_UMOL_KG * 1e-6
        if priors.alkalinity_umol_kg is not None:
            alkalinity = max(alkalinity, priors.alkalinity_umol_kg.value * 1e-6)
        carbon = max(1e-5, (alkalinity - float(bare[0])) / max(float(share[0]), 0.05))
        carbon, answered = min(carbon, 3.0 * alkalinity), Answer.LITTLE
    return np.array([alkalinity, e4, slope, carbon, LOSS_Z.value]), answered


def _with_offset(curve: Curve, conditions: Conditions, priors: Priors) -> Priors:
    """Return priors that know an offset: without a calibration, that of a sample at pH 8."""
    if priors.e0_mv is not None:
        return priors
    slope = priors.slope.value * float(nernst_mv(curve.temperature_c[:1])[0])
    h_total = 10.0**-UNCALIBRATED.value * _free_offset(curve, conditions)
    e0 = float(curve.emf_mv[0]) - slope * float(np.log(h_total))
    return Priors(
        Estimate(e0, UNCALIBRATED.u), priors.slope, priors.noise_mv, priors.alkalinity_umol_kg, priors.carbon_umol_kg
    )


def _free_offset(curve: Curve, conditions: Conditions) -> float:
    return float(total_over_free(conditions.salinity, float(curve.temperature_c[0]), conditions.medium))


def _ph_free(curve: Curve, theta: FloatArray) -> FloatArray:
    ratio = (curve.emf_mv - theta[1]) / (theta[2] * nernst_mv(curve.temperature_c))
    return np.asarray(-np.log10(PIVOT_H) - ratio / np.log(10.0))
