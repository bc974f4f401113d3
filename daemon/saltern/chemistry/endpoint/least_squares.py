"""The default method: generalised least squares over the informative part of the curve.

Alkalinity, electrode offset and slope, inorganic carbon and its loss are found together, all but the alkalinity
with priors from calibration or from what is physically likely; the equations are in `reading_model`, the iteration
in `gauss_newton`. The weights know that an electrode's noise is independent from reading to reading and that the
errors of doses accumulate.

Bias in seawater: below 1 umol/kg on curves made by foreign models where the carbon's fate is stated (see
tests/published). Organic bases are reported in part, by their pK: see `organics`.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import hypot

import numpy as np

from saltern.chemistry.electrode import nernst_mv
from saltern.chemistry.endpoint.curve import (
    Co2,
    Conditions,
    Curve,
    EndPoint,
    EndPointMethod,
    Estimate,
    FloatArray,
    Priors,
)
from saltern.chemistry.endpoint.departures import bend_beyond, departures_of, straightened
from saltern.chemistry.endpoint.diagnostics import findings, stretch
from saltern.chemistry.endpoint.first_guess import WINDOW_PH_FREE, first_guess
from saltern.chemistry.endpoint.gauss_newton import Priors as Weighed
from saltern.chemistry.endpoint.gauss_newton import Solution, solve
from saltern.chemistry.endpoint.reading_model import LOSS_SCALE_PER_S, PIVOT_H, Readings, evaluated, medium_of, ph_free
from saltern.chemistry.equilibria import Constants, constants, total_over_free
from saltern.chemistry.seawater import Totals, totals
from saltern.errors import CurveError

NAME = "least-squares"

AIR_PCO2_ATM = 450e-6
"""Partial pressure of CO2 indoors; what is left in equilibrium with it is 10 to 15 umol/kg."""

LOSS_Z = Estimate(1.2, 2.2)
"""Prior of the CO2 loss, centred on 0.03 1/min: an open stirred vessel loses half in ten to twenty minutes. Closed lies
half a standard deviation below, ten times as fast one above."""

CARBON_SHARE = Estimate(0.6, 0.35)
CARBON_SHARE_CLOSED = Estimate(0.9, 0.3)
"""Inorganic carbon at the first reading used, as a share of the alkalinity."""

READING_EVERY_S = 20.0
"""Assumed where a curve has no times."""

NOISE_FLOOR_MV = 0.02
BLIND_FLOOR_MV = 0.2
"""Least noise assumed where none is stated. Residuals show how a signal repeats, not how straight the electrode
is: hysteresis, stirring and bridge potentials of a good glass electrode come to a few tenths of a millivolt
(common practice; 0.2 mV is 0.003 pH). State the noise to claim less."""

RESIDUAL_LIMIT_MV = 1.5
LAST_PH_FREE, LEAST_ACID_SHARE = 5.4, 0.88

Mask = np.ndarray[tuple[int], np.dtype[np.bool_]]


@dataclass(frozen=True)
class _Question:
    """A curve with all that is known of it, and its constants at each reading."""

    curve: Curve
    conditions: Conditions
    priors: Priors
    k: Constants
    water: Totals
    free_offset: float  # [H]total / [H]free in the undiluted sample


def least_squares(curve: Curve, conditions: Conditions, priors: Priors) -> EndPoint:
    """Find the alkalinity by generalised least squares.

    Parameters
    ----------
    curve, conditions, priors
        See `saltern.chemistry.endpoint.curve`. `priors.e0_mv` None: the offset is free.

    Returns
    -------
    EndPoint
        `degrees_of_freedom` counts each prior as an observation.

    Raises
    ------
    CurveError
        Fewer than three readings lie between free pH 2.7 and 6.9, or none lies below pH 5: the curve does not
        reach its end point.
    """
    return _evaluate(_asked(curve, conditions, priors))


def fit(curve: Curve, conditions: Conditions, priors: Priors, k: Constants, water: Totals) -> EndPoint:
    """Do the same with given constants and totals, for worked examples that bring their own."""
    return _evaluate(_question(curve, conditions, priors, k, water))


def fit_of_water(
    curve: Curve, conditions: Conditions, priors: Priors, other: Callable[[Constants], Constants]
) -> EndPoint:
    """Do the same with constants that are other than published, to see what that does."""
    k = other(constants(_mixture_salinity(curve, conditions), curve.temperature_c, conditions.medium))
    return _evaluate(_question(curve, conditions, priors, k, water_of(conditions)))


def _evaluate(q: _Question) -> EndPoint:
    """Answer; where a statistic speaks against the curve, allow for a bent electrode, if that explains it.

    What that moves the alkalinity by is added to its uncertainty: which of the two is right, the curve does not say.
    """
    solution, used = _solution(q)
    _refuse_what_is_no_titration(solution, q.priors)
    answer = _answer(q, solution, used)
    known = q.priors.bend_mv
    if not answer.flags or known is None or q.curve.time_s is None or not _noise_is_known(q):
        return answer
    allowed = departures_of(q.curve.emf_mv, q.curve.time_s, used, known.u)
    bent = solve(straightened(solution, allowed, known.value), solution.priors, solution.theta)
    other = _answer(q, bent, used)
    if other.flags:
        return answer
    u_umol_kg = hypot(other.u_umol_kg, other.alkalinity_umol_kg - answer.alkalinity_umol_kg)
    beyond = bend_beyond(bent, known.u)
    return replace(other, u_umol_kg=u_umol_kg, bend_mv=Estimate(known.value + beyond.value, beyond.u))


def solution_of(curve: Curve, conditions: Conditions, priors: Priors) -> Solution:
    """Return the bare solution, for planning the next dose; raises as `least_squares` does."""
    return _solution(_asked(curve, conditions, priors))[0]


def guided_solution(
    curve: Curve, conditions: Conditions, priors: Priors, guess: FloatArray, held: FloatArray
) -> Solution:
    """Return the solution from few readings, for planning: one will do, with priors about a guess.

    Parameters
    ----------
    curve, conditions, priors
        As for an evaluation.
    guess
        (5,) where to start, and the mean of the priors below.
    held
        (5,) standard deviation about the guess; infinite where the evaluation's own prior, or none, is to stand.

    Raises
    ------
    CurveError
        No reading lies in the window.
    """
    q = _asked(curve, conditions, priors)
    used = _window(curve, guess)
    if not used.any():
        raise CurveError("no reading lies below pH 6.9 yet", where=NAME, remedy="Give acid")
    readings = _readings(q, used)
    own = _weighed(q, readings, guess)
    tighter = 1.0 / held > own.weight
    weighed = Weighed(np.where(tighter, guess, own.mean), np.where(tighter, 1.0 / held, own.weight), own.free)
    return solve(readings, weighed, guess)


def _asked(curve: Curve, conditions: Conditions, priors: Priors) -> _Question:
    k = constants(_mixture_salinity(curve, conditions), curve.temperature_c, conditions.medium)
    return _question(curve, conditions, priors, k, water_of(conditions))


def _question(curve: Curve, conditions: Conditions, priors: Priors, k: Constants, water: Totals) -> _Question:
    offset = float(total_over_free(conditions.salinity, float(curve.temperature_c[0]), conditions.medium))
    return _Question(curve, conditions, priors, k, water, offset)


def _solution(q: _Question) -> tuple[Solution, Mask]:
    try:
        return _solve(q)
    except np.linalg.LinAlgError as error:
        raise CurveError(
            f"the readings do not determine an end point ({error})",
            where=NAME,
            remedy="Take readings at several different amounts of acid around the end point",
        ) from error


def _solve(q: _Question) -> tuple[Solution, Mask]:
    guess = first_guess(q.curve, q.conditions, q.priors, medium_of(q.k, q.water), q.free_offset)
    start = np.array([guess[0], guess[1], q.priors.slope.value, guess[2], LOSS_Z.value])
    used = _window(q.curve, start)
    if used.sum() < 3:
        raise CurveError(
            f"only {int(used.sum())} readings lie between pH 2.7 and 6.9, where the end point shows",
            where=NAME,
            remedy="Take at least three readings there, better seven",
        )
    solution = _solve_over(q, used, start)
    again = _window(q.curve, solution.theta)
    if np.any(again != used) and again.sum() >= 3:
        return _solve_over(q, again, solution.theta), again
    return solution, used


def _solve_over(q: _Question, used: Mask, start: FloatArray) -> Solution:
    """Solve; where the noise is not known, take it from the residuals, so that reduced chi-square is one."""
    readings = _readings(q, used)
    weighed = _weighed(q, readings, start)
    solution = solve(readings, weighed, start)
    if _noise_is_known(q):
        return solution
    for _ in range(4):
        r = solution.white_residual
        ratio = float(np.sqrt(r @ r / max(1.0, _degrees_of_freedom(solution))))
        noise = np.maximum(readings.noise_mv * min(max(ratio, 0.05), 20.0), BLIND_FLOOR_MV)
        if np.allclose(noise, readings.noise_mv, rtol=0.02):
            break
        readings = replace(readings, noise_mv=noise)
        solution = solve(readings, weighed, solution.theta)
    return solution


def _noise_is_known(q: _Question) -> bool:
    return q.priors.noise_mv is not None or q.curve.emf_sd_mv is not None


def _refuse_what_is_no_titration(solution: Solution, priors: Priors) -> None:
    """Raise `CurveError` where the best fit is none, or ends before the end point is in sight."""
    readings, theta = solution.readings, solution.theta
    residual_mv = _residual_mv(solution)
    limit_mv = max(RESIDUAL_LIMIT_MV, 6.0 * (priors.noise_mv or 0.0))
    if not residual_mv <= limit_mv:
        raise CurveError(
            f"the readings do not follow a titration curve that reaches its end point: the best fit leaves "
            f"{residual_mv:.1f} mV, and {limit_mv:.1f} mV is the limit",
            where=NAME,
            remedy="Titrate further, and check salinity, titrant strength and --co2",
        )
    last_ph = float(ph_free(readings, theta)[-1])
    if last_ph > LAST_PH_FREE or not 0.0 < theta[0] * LEAST_ACID_SHARE < readings.acid[-1]:
        raise CurveError(
            f"the curve does not reach its end point: it seems to stop near pH {last_ph:.1f}",
            where=NAME,
            remedy="Titrate further: to pH 4.5 at least, better 3.5",
        )


# Setting up --------------------------------------------------------------------


def water_of(conditions: Conditions) -> Totals:
    """Return the totals of the undiluted sample."""
    return totals(
        conditions.salinity,
        conditions.medium,
        conditions.borate_ratio.value,
        conditions.phosphate_umol_kg.value,
        conditions.silicate_umol_kg.value,
    )


def _mixture_salinity(curve: Curve, conditions: Conditions) -> float | FloatArray:
    if conditions.titrant_salinity == conditions.salinity:
        return conditions.salinity
    share = conditions.sample_g / (conditions.sample_g + curve.titrant_g)
    return share * conditions.salinity + (1.0 - share) * conditions.titrant_salinity


def _window(curve: Curve, theta: FloatArray) -> Mask:
    h = PIVOT_H * np.exp((curve.emf_mv - theta[1]) / (theta[2] * nernst_mv(curve.temperature_c)))
    return np.asarray((h > 10.0 ** -WINDOW_PH_FREE[1]) & (h < 10.0 ** -WINDOW_PH_FREE[0]))


def _readings(q: _Question, used: Mask) -> Readings:
    curve, conditions = q.curve, q.conditions
    noise = np.full(len(used), q.priors.noise_mv if q.priors.noise_mv is not None else BLIND_FLOOR_MV)
    if curve.emf_sd_mv is not None:
        noise = np.maximum(curve.emf_sd_mv, NOISE_FLOOR_MV)
    per_g = conditions.titrant_mol_per_kg / conditions.sample_g
    dose_sd = np.zeros(len(used)) if curve.dose_sd_g is None else curve.dose_sd_g * per_g
    times = curve.time_s if curve.time_s is not None else READING_EVERY_S * np.arange(len(used))
    return Readings(
        acid=(curve.titrant_g * per_g)[used],
        dilution=(conditions.sample_g / (conditions.sample_g + curve.titrant_g))[used],
        emf_mv=curve.emf_mv[used],
        nernst_mv=nernst_mv(curve.temperature_c)[used],
        elapsed_s=np.diff(times[used], prepend=times[used][0]),
        medium=medium_of(_take(q.k, used), q.water),
        equilibrium_carbon=equilibrium_carbon(q.k),
        noise_mv=noise[used],
        dose_variance=np.cumsum(dose_sd**2)[used],
        co2=conditions.co2,
    )


def equilibrium_carbon(k: Constants) -> float:
    """Return the dissolved CO2 in equilibrium with the air of the room, mol/kg."""
    return float(np.mean(np.asarray(k.k0))) * AIR_PCO2_ATM


def weighed_priors(
    conditions: Conditions,
    priors: Priors,
    *,
    alkalinity: float,
    e4_mv: float,
    nernst: float,
    free_offset: float,
    equilibrium_carbon: float,
) -> Weighed:
    """Return the priors in the parameters of the fit; infinite is unknown, zero is held.

    Parameters
    ----------
    conditions, priors
        As for an evaluation.
    alkalinity, e4_mv
        A first guess, mol/kg and mV: the carbon's prior is a share of the one; the other stands where no offset is
        known.
    nernst
        RT/F, mV.
    free_offset
        [H]total / [H]free in the undiluted sample.
    equilibrium_carbon
        Dissolved CO2 in equilibrium with the air of the room, mol/kg.
    """
    e4, e4_sd = e4_mv, np.inf
    if priors.e0_mv is not None:
        e4 = priors.e0_mv.value + priors.slope.value * nernst * float(np.log(PIVOT_H * free_offset))
        e4_sd = priors.e0_mv.u
    share = CARBON_SHARE_CLOSED if conditions.co2 is Co2.CLOSED else CARBON_SHARE
    carbon, carbon_sd = share.value * alkalinity, share.u * alkalinity
    if conditions.co2 is Co2.PURGED:
        carbon, carbon_sd = equilibrium_carbon, 0.5 * equilibrium_carbon
    elif priors.carbon_umol_kg is not None:
        carbon, carbon_sd = priors.carbon_umol_kg.value * 1e-6, priors.carbon_umol_kg.u * 1e-6
    loss = LOSS_Z if priors.co2_loss_per_min is None else loss_z(priors.co2_loss_per_min)
    mean = np.array([0.0, e4, priors.slope.value, carbon, loss.value])
    sd = np.array([np.inf, e4_sd, priors.slope.u, carbon_sd, loss.u if conditions.co2 is Co2.OPEN else 0.0])
    weight = np.where(np.isfinite(sd) & (sd > 0.0), 1.0 / np.where(sd > 0.0, sd, 1.0), 0.0)
    return Weighed(mean, weight, (sd > 0.0).astype(float))


def loss_z(per_min: Estimate) -> Estimate:
    """Return a loss rate, 1/min, as the parameter of the fit."""
    scale = LOSS_SCALE_PER_S * 60.0
    slope = 1.0 / float(np.hypot(per_min.value, scale))
    return Estimate(float(np.arcsinh(per_min.value / scale)), per_min.u * slope)


def _loss_per_min(z: float, u: float) -> Estimate:
    scale = LOSS_SCALE_PER_S * 60.0
    return Estimate(scale * float(np.sinh(z)), scale * float(np.cosh(z)) * u)


def _weighed(q: _Question, readings: Readings, start: FloatArray) -> Weighed:
    return weighed_priors(
        q.conditions,
        q.priors,
        alkalinity=float(start[0]),
        e4_mv=float(start[1]),
        nernst=float(readings.nernst_mv[0]),
        free_offset=q.free_offset,
        equilibrium_carbon=readings.equilibrium_carbon,
    )


def _take(k: Constants, keep: Mask) -> Constants:
    fields = {name: getattr(k, name) for name in Constants.__slots__}
    return Constants(**{name: v[keep] if isinstance(v, np.ndarray) else v for name, v in fields.items()})


# The answer --------------------------------------------------------------------


def _degrees_of_freedom(solution: Solution) -> float:
    """Return n less the parameters that the readings, rather than the priors, determine."""
    j = solution.white_jacobian
    return float(len(j) - np.trace(np.linalg.solve(solution.normal, j.T @ j)))


def _residual_mv(solution: Solution) -> float:
    return float(np.sqrt(np.mean((solution.at.residual / solution.at.dy_de) ** 2)))


def _answer(q: _Question, solution: Solution, used: Mask) -> EndPoint:
    readings, theta, r, j = solution.readings, solution.theta, solution.white_residual, solution.white_jacobian
    covariance = solution.parameter_covariance
    gain = covariance[0] @ j.T @ solution.whitening  # d alkalinity = -gain @ d residual
    variance = covariance[0, 0] + _variance_of_inputs(q, solution, used, gain)
    dof = _degrees_of_freedom(solution)
    found = findings(solution, dof, q.conditions.sample_g / q.conditions.titrant_mol_per_kg)
    flags = tuple(finding.code for finding in found if finding.flagged)
    wider = stretch(solution, dof, flagged=bool(flags))
    variance, covariance = variance * wider**2, covariance * wider**2
    nernst = float(np.mean(readings.nernst_mv))
    pivot = np.log(PIVOT_H * q.free_offset)
    to_e0 = np.array([0.0, 1.0, -nernst * pivot, 0.0, 0.0])
    return EndPoint(
        method=NAME,
        alkalinity_umol_kg=float(theta[0] * 1e6),
        u_umol_kg=float(np.sqrt(variance) * 1e6),
        e0_mv=float(theta[1] - theta[2] * nernst * pivot),
        slope=float(theta[2]),
        points_used=len(r),
        residual_mv=_residual_mv(solution),
        flags=flags,
        e0_u_mv=float(np.sqrt(to_e0 @ covariance @ to_e0)),
        slope_u=float(np.sqrt(covariance[2, 2])),
        e0_slope_covariance=float(to_e0 @ covariance[:, 2]),
        carbon_umol_kg=Estimate(float(theta[3] * 1e6), float(np.sqrt(covariance[3, 3]) * 1e6)),
        co2_loss_per_min=(
            _loss_per_min(float(theta[4]), float(np.sqrt(covariance[4, 4]))) if readings.co2 is Co2.OPEN else None
        ),
        degrees_of_freedom=dof,
        standardised_residuals=r,
        findings=found,
    )


def _variance_of_inputs(q: _Question, solution: Solution, used: Mask, gain: FloatArray) -> float:
    """Return what uncertain phosphate, silicate and borate add to the variance of the alkalinity, (mol/kg)^2."""
    c, total = q.conditions, 0.0
    natural = c.borate_ratio.value or 1.0
    for uncertainty, moved in (
        (c.phosphate_umol_kg.u, {"phosphate": q.water.phosphate + c.phosphate_umol_kg.u * 1e-6}),
        (c.silicate_umol_kg.u, {"silicate": q.water.silicate + c.silicate_umol_kg.u * 1e-6}),
        (c.borate_ratio.u, {"borate": q.water.borate * (1.0 + c.borate_ratio.u / natural)}),
    ):
        if uncertainty > 0.0:
            other = replace(solution.readings, medium=medium_of(_take(q.k, used), replace(q.water, **moved)))
            total += float(gain @ (evaluated(other, solution.theta).residual - solution.at.residual)) ** 2
    return total


METHOD = EndPointMethod(least_squares)
