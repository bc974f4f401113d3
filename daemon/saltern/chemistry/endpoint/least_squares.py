"""The default method: generalised least squares over the informative part of the curve.

Every reading below about pH 6.9 is one explicit estimate of the sample's alkalinity,

    y_i = a_i + A(H_i; C_i, D_i) / D_i,       a_i = m_i c / m0,   D_i = m0 / (m0 + m_i),

where A is the proton balance at the free [H] that the electrode shows, ln H = ln 1e-4 + (E - e4) / (s RT/F).
Unknown are the alkalinity itself, the potential e4 at free pH 4 (a pivot that makes offset and slope nearly
independent), the slope s, the inorganic carbon C at the first reading used, and the rate k at which CO2 is
lost: ln(C_i - C_eq) falls by k times the CO2 share, reading by reading. All but the alkalinity have priors.

The covariance of y has two parts: the electrode's noise, which is independent, through dy/dE; and the doses'
scatter, which accumulates, so that readings i and j share the variance of all doses up to the earlier one.
A damped Gauss-Newton iteration with an analytic Jacobian minimises the weighted squares plus the priors'.

Bias in seawater: below 1 umol/kg for curves made by foreign models (see tests/published). Organic bases with pK
between about 4 and 7 are partly reported as alkalinity; stronger and weaker ones fully, or as carbon.
"""

from dataclasses import dataclass, replace

import numpy as np

from saltern.chemistry.electrode import nernst_mv
from saltern.chemistry.endpoint.curve import Co2, Conditions, Curve, EndPoint, Estimate, FloatArray, Priors
from saltern.chemistry.equilibria import Constants, constants, total_over_free
from saltern.chemistry.seawater import Totals, totals
from saltern.chemistry.titration import alkalinity_without_carbon, bicarbonate_share, carbon_dioxide_share
from saltern.errors import CurveError

NAME = "least-squares"

WINDOW_PH_FREE = (2.7, 6.9)
"""Readings used, by free pH: above, the carbonate buffer hides the end point; below, a millivolt costs too much."""

PIVOT_H = 1e-4
AIR_PCO2_ATM = 450e-6
"""Partial pressure of CO2 indoors; what is left in equilibrium with it is 10 to 15 umol/kg."""

LOSS_PER_S = Estimate(np.log(0.05 / 60.0), np.log(3.3))
"""ln of the CO2 loss rate, 1/s: an open stirred vessel loses half in about ten minutes, within a factor of three."""

READING_EVERY_S = 20.0
"""Assumed where a curve has no times."""

NOISE_FLOOR_MV = 0.02
BLIND_FLOOR_MV = 0.2
"""Least noise believed where none is stated. Residuals show how a signal repeats, not how straight the electrode
is: hysteresis, stirring and bridge potentials of a good glass electrode come to a few tenths of a millivolt
(common practice; 0.2 mV is 0.003 pH). State the noise to claim less."""

JUNCTION_MV_KG_MOL = 100.0
"""Standard deviation of the liquid junction's answer to acid, mV per mol/kg of free [H]. The Henderson equation
gives about 80 for seawater against concentrated KCl; real junctions differ in size and sign."""

RESIDUAL_LIMIT_MV = 1.5
LAST_PH_FREE, LEAST_ACID_SHARE = 5.4, 0.88
NORMAL_999, OUTLYING = 3.09, 4.0
MOST_STEPS = 40
CONVERGED_UMOL_KG = 1e-7


@dataclass(frozen=True)
class _Problem:
    """The readings used and everything held fixed; shapes (n,)."""

    acid: FloatArray  # a_i, mol/kg of sample
    dilution: FloatArray
    emf_mv: FloatArray
    nernst: FloatArray  # RT/F, mV
    elapsed_s: FloatArray  # since the reading before; 0 for the first
    k: Constants
    totals: Totals
    equilibrium_carbon: float
    noise_mv: FloatArray
    dose_covariance: FloatArray  # (n, n), of a
    prior: FloatArray  # (5,) alkalinity, e4, slope, carbon, ln k
    prior_weight: FloatArray  # (5,) 1 / sd
    free: FloatArray  # (5,) 1.0 where the parameter is free


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
    mixture = _mixture_salinity(curve, conditions)
    k = constants(mixture, curve.temperature_c, conditions.medium)
    water = totals(
        conditions.salinity,
        conditions.medium,
        conditions.borate_ratio.value,
        conditions.phosphate_umol_kg.value,
        conditions.silicate_umol_kg.value,
    )
    return fit(curve, conditions, priors, k, water)


def fit(curve: Curve, conditions: Conditions, priors: Priors, k: Constants, water: Totals) -> EndPoint:
    """Do the same with given constants and totals, for worked examples that bring their own."""
    try:
        return _fit(curve, conditions, priors, k, water)
    except np.linalg.LinAlgError as error:
        raise CurveError(
            f"the readings do not determine an end point ({error})",
            where=NAME,
            remedy="Take readings at several different amounts of acid around the end point",
        ) from error


def _fit(curve: Curve, conditions: Conditions, priors: Priors, k: Constants, water: Totals) -> EndPoint:
    free_offset = float(total_over_free(conditions.salinity, float(curve.temperature_c[0]), conditions.medium))
    start = _start(curve, conditions, priors, k, water, free_offset)
    used = _window(curve, start)
    problem = _problem(curve, conditions, priors, k, water, used, start, free_offset)
    solution, problem = _solve_with_noise(problem, start, known=_noise_is_known(curve, priors))
    rerun = _window(curve, solution)
    if np.any(rerun != used) and rerun.sum() >= 3:
        used = rerun
        problem = _problem(curve, conditions, priors, k, water, used, solution, free_offset)
        solution, problem = _solve_with_noise(problem, solution, known=_noise_is_known(curve, priors))
    _refuse_what_is_no_titration(problem, solution, priors)
    return _answer(problem, solution, conditions, free_offset)


def _refuse_what_is_no_titration(p: _Problem, theta: FloatArray, priors: Priors) -> None:
    """Raise `CurveError` where the best fit is none, or ends before the end point is in sight."""
    residual, _, dy_de = _model(p, theta)
    residual_mv = float(np.sqrt(np.mean((residual / dy_de) ** 2)))
    limit_mv = max(RESIDUAL_LIMIT_MV, 6.0 * (priors.noise_mv or 0.0))
    if not residual_mv <= limit_mv:
        raise CurveError(
            f"the readings do not follow a titration curve that reaches its end point: the best fit leaves "
            f"{residual_mv:.1f} mV, and {limit_mv:.1f} mV is the most believed",
            where=NAME,
            remedy="Titrate further, and check salinity, titrant strength and --co2",
        )
    last_ph = -float(np.log10(PIVOT_H) + (p.emf_mv[-1] - theta[1]) / (theta[2] * p.nernst[-1]) / np.log(10.0))
    if last_ph > LAST_PH_FREE or not 0.0 < theta[0] * LEAST_ACID_SHARE < p.acid[-1]:
        raise CurveError(
            f"the curve does not reach its end point: it seems to stop near pH {last_ph:.1f}",
            where=NAME,
            remedy="Titrate further: to pH 4.5 at least, better 3.5",
        )


# Setting up --------------------------------------------------------------------


def _mixture_salinity(curve: Curve, conditions: Conditions) -> float | FloatArray:
    if conditions.titrant_salinity == conditions.salinity:
        return conditions.salinity
    share = conditions.sample_g / (conditions.sample_g + curve.titrant_g)
    return share * conditions.salinity + (1.0 - share) * conditions.titrant_salinity


def _acid(curve: Curve, conditions: Conditions) -> FloatArray:
    return curve.titrant_g * conditions.titrant_mol_per_kg / conditions.sample_g


def _noise_is_known(curve: Curve, priors: Priors) -> bool:
    return priors.noise_mv is not None or curve.emf_sd_mv is not None


def _start(
    curve: Curve, conditions: Conditions, priors: Priors, k: Constants, water: Totals, free_offset: float
) -> FloatArray:
    """Find starting values by scanning the offset: for each, alkalinity and carbon are linear and solved outright.

    The scan is the same whether the electrode is known or not, so no start can be far from the answer.
    """
    slope, nernst = priors.slope.value, nernst_mv(curve.temperature_c)
    acid = _acid(curve, conditions)
    d = conditions.sample_g / (conditions.sample_g + curve.titrant_g)
    unlikely = np.zeros(1)
    if priors.e0_mv is not None and priors.e0_mv.u < 60.0:
        expected = priors.e0_mv.value + slope * nernst[0] * np.log(PIVOT_H * free_offset)
        steps = np.linspace(-4.0, 4.0, 25)
        candidates, unlikely = expected + steps * max(priors.e0_mv.u, 2.0), steps**2
    else:
        candidates = np.arange(curve.emf_mv.min() - 60.0, curve.emf_mv.max() + 60.0, 5.0)
    # one row a candidate: shape (m, n); readings outside the window weigh nothing
    h = PIVOT_H * np.exp(np.clip((curve.emf_mv - candidates[:, None]) / (slope * nernst), -40.0, 20.0))
    inside = (h > 10.0 ** -WINDOW_PH_FREE[1]) & (h < 10.0 ** -WINDOW_PH_FREE[0])
    bare = acid + alkalinity_without_carbon(h, k, water, d) / d
    share = np.asarray(bicarbonate_share(h, k))
    w = inside / ((_dy_dlnh(h, 1.5e-3, k, water, d) / (slope * nernst)) ** 2 + 2e-6**2)
    hold = 1.0 / 0.7e-3**2  # carbon near 0.6 of the alkalinity, weakly
    s_aa, s_ac, s_cc = w.sum(1) + 0.36 * hold, -(w * share).sum(1) - 0.6 * hold, (w * share**2).sum(1) + hold
    b_a, b_c = (w * bare).sum(1), -(w * share * bare).sum(1)
    determinant = np.maximum(s_aa * s_cc - s_ac**2, 1e-9)  # no reading inside: refused below
    a_t, carbon = (b_a * s_cc - s_ac * b_c) / determinant, (s_aa * b_c - s_ac * b_a) / determinant
    misfit = (w * (bare + carbon[:, None] * share - a_t[:, None]) ** 2).sum(1) + hold * (carbon - 0.6 * a_t) ** 2
    count = inside.sum(1)
    cost = (misfit + unlikely) / np.maximum(count, 1)
    cost[(count < 3) | ((h * inside).max(1) < 1e-5) | (a_t <= 0.0) | (a_t > 0.05)] = np.inf
    best = int(np.argmin(cost))
    if not np.isfinite(cost[best]):
        raise CurveError(
            "the curve does not reach its end point: no offset of the electrode puts three readings below pH 6.9 and "
            "one below pH 5",
            where=NAME,
            remedy="Titrate further, or check the columns' units and the titrant's strength",
        )
    return np.array([a_t[best], candidates[best], slope, max(carbon[best], 1e-5), LOSS_PER_S.value])


def _window(curve: Curve, theta: FloatArray) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    h = PIVOT_H * np.exp((curve.emf_mv - theta[1]) / (theta[2] * nernst_mv(curve.temperature_c)))
    return np.asarray((h > 10.0 ** -WINDOW_PH_FREE[1]) & (h < 10.0 ** -WINDOW_PH_FREE[0]))


def _problem(
    curve: Curve,
    conditions: Conditions,
    priors: Priors,
    k: Constants,
    water: Totals,
    used: np.ndarray[tuple[int], np.dtype[np.bool_]],
    start: FloatArray,
    free_offset: float,
) -> _Problem:
    if used.sum() < 3:
        raise CurveError(
            f"only {int(used.sum())} readings lie between pH 2.7 and 6.9, where the end point shows",
            where=NAME,
            remedy="Take at least three readings there, better seven",
        )
    nernst = nernst_mv(curve.temperature_c)
    noise = np.full(len(curve.emf_mv), priors.noise_mv if priors.noise_mv is not None else BLIND_FLOOR_MV)
    if curve.emf_sd_mv is not None:
        noise = np.maximum(curve.emf_sd_mv, NOISE_FLOOR_MV)
    dose_variance = (
        np.zeros(len(used))
        if curve.dose_sd_g is None
        else np.cumsum((curve.dose_sd_g * conditions.titrant_mol_per_kg / conditions.sample_g) ** 2)
    )
    cumulative = dose_variance[used]
    times = curve.time_s if curve.time_s is not None else READING_EVERY_S * np.arange(len(used))
    prior, sd = _priors(conditions, priors, k, start, nernst[0], free_offset)
    return _Problem(
        acid=_acid(curve, conditions)[used],
        dilution=(conditions.sample_g / (conditions.sample_g + curve.titrant_g))[used],
        emf_mv=curve.emf_mv[used],
        nernst=nernst[used],
        elapsed_s=np.diff(times[used], prepend=times[used][0]),
        k=_take(k, used),
        totals=water,
        equilibrium_carbon=float(np.mean(np.asarray(k.k0))) * AIR_PCO2_ATM,
        noise_mv=noise[used],
        dose_covariance=np.minimum.outer(cumulative, cumulative),
        prior=prior,
        prior_weight=np.where(np.isfinite(sd), 1.0 / np.where(sd > 0.0, sd, 1.0), 0.0) * (sd > 0.0),
        free=(sd > 0.0).astype(float),
    )


def _priors(
    conditions: Conditions, priors: Priors, k: Constants, start: FloatArray, nernst: float, free_offset: float
) -> tuple[FloatArray, FloatArray]:
    """Return prior means and standard deviations; infinite is unknown, zero is held."""
    e4, e4_sd = start[1], np.inf
    if priors.e0_mv is not None:
        e4 = priors.e0_mv.value + priors.slope.value * nernst * np.log(PIVOT_H * free_offset)
        e4_sd = priors.e0_mv.u
    carbon, carbon_sd = 0.6 * start[0], 0.35 * start[0]
    loss, loss_sd = LOSS_PER_S.value, LOSS_PER_S.u
    if conditions.co2 is Co2.CLOSED:
        carbon, carbon_sd = 0.9 * start[0], 0.3 * start[0]
        loss, loss_sd = -99.0, 0.0
    elif conditions.co2 is Co2.PURGED:
        carbon = float(np.mean(np.asarray(k.k0))) * AIR_PCO2_ATM
        carbon_sd = 0.5 * carbon
        loss, loss_sd = -99.0, 0.0
    mean = np.array([0.0, e4, priors.slope.value, carbon, loss])
    return mean, np.array([np.inf, e4_sd, priors.slope.u, carbon_sd, loss_sd])


def _take(k: Constants, keep: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> Constants:
    fields = {name: getattr(k, name) for name in Constants.__slots__}
    return Constants(**{name: v[keep] if isinstance(v, np.ndarray) else v for name, v in fields.items()})


# The model ---------------------------------------------------------------------


def _dy_dlnh(h: FloatArray, carbon: FloatArray | float, k: Constants, t: Totals, d: FloatArray) -> FloatArray:
    """Return dy / d ln H, mol/kg."""
    bound = (
        t.borate * k.kb * h / (k.kb + h) ** 2
        + t.silicate * k.ksi * h / (k.ksi + h) ** 2
        + t.sulfate * k.ks * h / (k.ks + h) ** 2
        + t.fluoride * k.kf * h / (k.kf + h) ** 2
    )
    if np.any(t.phosphate):
        step = 1e-4
        up = alkalinity_without_carbon(h * np.exp(step), k, Totals(0.0, 0.0, 0.0, t.phosphate, 0.0))
        down = alkalinity_without_carbon(h * np.exp(-step), k, Totals(0.0, 0.0, 0.0, t.phosphate, 0.0))
        water = -(k.kw / h + h) * (np.exp(step) - np.exp(-step)) / (2.0 * step)
        bound = bound - ((up - down) / (2.0 * step) - water)
    return np.asarray(-(k.kw / h + h) / d - bound + carbon * _dshare(h, k))


def _dshare(h: FloatArray, k: Constants) -> FloatArray:
    """Return d(bicarbonate share) / d ln H."""
    denominator = h * h + k.k1 * h + k.k1 * k.k2
    return np.asarray(
        (k.k1 * h * denominator - (k.k1 * h + 2.0 * k.k1 * k.k2) * (2.0 * h * h + k.k1 * h)) / denominator**2
    )


def _model(p: _Problem, theta: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return residuals y - A, their Jacobian (n, 5) and dy/dE, all in mol/kg."""
    a_t, e4, slope, carbon, ln_loss = theta
    nernst_slope = slope * p.nernst
    ln_ratio = (p.emf_mv - e4) / nernst_slope
    h = PIVOT_H * np.exp(ln_ratio)
    share = np.asarray(bicarbonate_share(h, p.k))
    if p.free[4]:
        loss = np.exp(ln_loss)
        gas = np.asarray(carbon_dioxide_share(h, p.k))
        gone = loss * np.cumsum(gas * p.elapsed_s)
        left = np.exp(-gone)
        c = p.equilibrium_carbon + (carbon - p.equilibrium_carbon) * left
    else:
        gas, gone, left, loss = share * 0.0, share * 0.0, np.ones_like(share), 0.0
        c = carbon * left
    excess = c - p.equilibrium_carbon if p.free[4] else c * 0.0
    residual = p.acid + alkalinity_without_carbon(h, p.k, p.totals, p.dilution) / p.dilution + c * share - a_t
    dy_dlnh = _dy_dlnh(h, c, p.k, p.totals, p.dilution)
    de4 = -1.0 / nernst_slope
    dslope = -ln_ratio / slope
    jacobian = np.empty((len(residual), 5))
    jacobian[:, 0] = -1.0
    jacobian[:, 1] = dy_dlnh * de4
    jacobian[:, 2] = dy_dlnh * dslope
    jacobian[:, 3] = left * share
    jacobian[:, 4] = -excess * share * gone
    if p.free[4]:
        # the CO2 share, and so the loss, depends on H through all readings before
        dgas = loss * p.elapsed_s * gas * (p.k.k1 / h + 2.0 * p.k.k1 * p.k.k2 / h**2) * gas
        jacobian[:, 1] -= excess * share * np.cumsum(dgas * de4)
        jacobian[:, 2] -= excess * share * np.cumsum(dgas * dslope)
    return residual, jacobian * p.free, dy_dlnh / nernst_slope


def _whiten(p: _Problem, theta: FloatArray, dy_de: FloatArray) -> FloatArray:
    """Return the Cholesky factor of the covariance of y, (mol/kg)^2."""
    h = PIVOT_H * np.exp((p.emf_mv - theta[1]) / (theta[2] * p.nernst))
    junction = dy_de * JUNCTION_MV_KG_MOL * h
    covariance = p.dose_covariance + np.outer(junction, junction) + np.diag((dy_de * p.noise_mv) ** 2 + 1e-18)
    return np.asarray(np.linalg.cholesky(covariance))


def _solve(p: _Problem, theta: FloatArray) -> FloatArray:
    """Minimise by damped Gauss-Newton; the covariance follows the estimate and is frozen at the end.

    A step is taken only if it lowers the cost under the covariance it was computed with, and each is bounded,
    so the iteration cannot run away.
    """
    theta = np.where(p.free > 0.0, theta, p.prior)
    damping = 0.0
    for turn in range(MOST_STEPS):
        residual, jacobian, dy_de = _model(p, theta)
        if turn < 6:
            factor = _whiten(p, theta, dy_de)
        white = np.linalg.solve(factor, np.column_stack([residual, jacobian]))
        r, j = white[:, 0], white[:, 1:]
        off = p.prior_weight * (theta - p.prior)
        normal = j.T @ j + np.diag(p.prior_weight**2) + np.diag(1.0 - p.free)
        gradient = j.T @ r + p.prior_weight * off
        cost = r @ r + off @ off
        while True:
            step = -np.linalg.solve(normal + damping * np.diag(np.diag(normal)), gradient)
            step *= min(1.0, 1.0 / max(1e-12, np.max(np.abs(step) / _LONGEST_STEP)))
            trial = theta + step
            trial[2] = min(max(trial[2], 0.7), 1.2)
            tried, _, _ = _model(p, trial)
            off_trial = p.prior_weight * (trial - p.prior)
            r_trial = np.linalg.solve(factor, tried)
            if r_trial @ r_trial + off_trial @ off_trial <= cost * (1.0 + 1e-12) + 1e-12 or damping > 1e8:
                break
            damping = max(10.0 * damping, 1e-3)
        theta = trial
        damping = 0.0 if damping < 1e-3 else damping / 10.0
        if turn >= 2 and np.max(np.abs(step) / _LONGEST_STEP) < 1e-8 and abs(step[0]) < CONVERGED_UMOL_KG * 1e-6:
            break
    return theta


_LONGEST_STEP = np.array([2e-3, 30.0, 0.05, 2e-3, 2.0])


def _solve_with_noise(p: _Problem, start: FloatArray, *, known: bool) -> tuple[FloatArray, _Problem]:
    """Solve; where the noise is not known, let the residuals tell it, so that reduced chi-square is one."""
    theta = _solve(p, start)
    if known:
        return theta, p
    for _ in range(4):
        residual, jacobian, dy_de = _model(p, theta)
        dof = max(1.0, _degrees_of_freedom(p, jacobian, _whiten(p, theta, dy_de)))
        white = np.linalg.solve(_whiten(p, theta, dy_de), residual)
        ratio = float(np.sqrt(white @ white / dof))
        noise = np.maximum(p.noise_mv * min(max(ratio, 0.05), 20.0), BLIND_FLOOR_MV)
        if np.allclose(noise, p.noise_mv, rtol=0.02):
            break
        p = replace(p, noise_mv=noise)
        theta = _solve(p, theta)
    return theta, p


def _degrees_of_freedom(p: _Problem, jacobian: FloatArray, factor: FloatArray) -> float:
    """Return n less the parameters that the readings, rather than the priors, determine."""
    j = np.linalg.solve(factor, jacobian)
    information = j.T @ j
    normal = information + np.diag(p.prior_weight**2) + np.diag(1.0 - p.free)
    return float(len(jacobian) - np.trace(np.linalg.solve(normal, information)))


def _answer(p: _Problem, theta: FloatArray, conditions: Conditions, free_offset: float) -> EndPoint:
    residual, jacobian, dy_de = _model(p, theta)
    factor = _whiten(p, theta, dy_de)
    white = np.linalg.solve(factor, np.column_stack([residual, jacobian]))
    r, j = white[:, 0], white[:, 1:]
    normal = j.T @ j + np.diag(p.prior_weight**2) + np.diag(1.0 - p.free)
    covariance = np.linalg.inv(normal) * np.outer(p.free, p.free)
    gain = covariance @ j.T @ np.linalg.inv(factor)  # d theta = -gain @ d residual
    variance = covariance[0, 0] + _variance_of_inputs(p, theta, gain[0], conditions)
    dof = _degrees_of_freedom(p, jacobian, factor)
    flags, stretch = _misfit(np.asarray(r), dof)
    nernst = float(np.mean(p.nernst))
    pivot = np.log(PIVOT_H * free_offset)
    e0 = theta[1] - theta[2] * nernst * pivot
    e0_variance = covariance[1, 1] + (nernst * pivot) ** 2 * covariance[2, 2] - 2.0 * nernst * pivot * covariance[1, 2]
    return EndPoint(
        method=NAME,
        alkalinity_umol_kg=float(theta[0] * 1e6),
        u_umol_kg=float(np.sqrt(variance) * 1e6 * stretch),
        e0_mv=float(e0),
        slope=float(theta[2]),
        points_used=len(residual),
        residual_mv=float(np.sqrt(np.mean((residual / dy_de) ** 2))),
        flags=flags,
        e0_u_mv=float(np.sqrt(e0_variance)),
        slope_u=float(np.sqrt(covariance[2, 2])),
        carbon_umol_kg=Estimate(float(theta[3] * 1e6), float(np.sqrt(covariance[3, 3]) * 1e6)),
        degrees_of_freedom=dof,
        standardised_residuals=np.asarray(r),
    )


def _misfit(standardised: FloatArray, dof: float) -> tuple[tuple[str, ...], float]:
    """Return flags, and the factor by which the uncertainty grows where the scatter is larger than stated.

    Chi-square beyond its 99.9 % quantile (Wilson & Hilferty 1931, PNAS 17, 684) is a poor fit, one residual beyond
    four standard deviations an outlying reading: false alarms of 1 in 1000 each at a dozen readings. The factor is
    the Birge ratio (Birge 1932, Phys. Rev. 40, 207).
    """
    if dof < 1.0:
        return (), 1.0
    chi_square = float(standardised @ standardised)
    third = 2.0 / (9.0 * dof)
    limit = dof * (1.0 - third + NORMAL_999 * np.sqrt(third)) ** 3
    flags = []
    if chi_square > limit:
        flags.append("poor-fit")
    if np.max(np.abs(standardised)) > OUTLYING:
        flags.append("outlying-reading")
    return tuple(flags), float(np.sqrt(max(1.0, chi_square / dof))) if flags else 1.0


def _variance_of_inputs(p: _Problem, theta: FloatArray, gain: FloatArray, conditions: Conditions) -> float:
    """Return what uncertain phosphate, silicate and borate add to the variance of the alkalinity, (mol/kg)^2."""
    residual, _, _ = _model(p, theta)
    total = 0.0
    natural = conditions.borate_ratio.value or 1.0
    for uncertainty, shifted in (
        (conditions.phosphate_umol_kg.u, {"phosphate": p.totals.phosphate + conditions.phosphate_umol_kg.u * 1e-6}),
        (conditions.silicate_umol_kg.u, {"silicate": p.totals.silicate + conditions.silicate_umol_kg.u * 1e-6}),
        (conditions.borate_ratio.u, {"borate": p.totals.borate * (1.0 + conditions.borate_ratio.u / natural)}),
    ):
        if uncertainty > 0.0:
            moved, _, _ = _model(replace(p, totals=replace(p.totals, **shifted)), theta)
            total += float(gain @ (moved - residual)) ** 2
    return total


def initial_ph_total(curve: Curve, end_point: EndPoint, conditions: Conditions) -> Estimate:
    """Return the sample's pH, total scale, from the electrode that the titration itself fitted in that water.

    The first reading must be that of the sample before any acid. Its uncertainty is that of the fitted offset
    and slope, strongly correlated through the pivot at pH 4, and of the reading.

    Raises
    ------
    CurveError
        The method fitted no electrode, or the first reading comes after acid.
    """
    if end_point.e0_mv is None or end_point.slope is None or curve.titrant_g[0] > 0.0:
        raise CurveError(
            "the sample's pH needs a reading before any acid, and a method that fits the electrode",
            where=end_point.method,
            remedy="Use least-squares or sop3b, and begin the curve without titrant",
        )
    mv_per_ph = float(nernst_mv(curve.temperature_c[:1])[0]) * end_point.slope * np.log(10.0)
    ph = (end_point.e0_mv - float(curve.emf_mv[0])) / mv_per_ph
    offset_u = (end_point.e0_u_mv or 0.0) / mv_per_ph
    slope_u = (end_point.slope_u or 0.0) / end_point.slope
    pivot_u = max(0.0, offset_u**2 - (4.0 * slope_u) ** 2)
    noise = 0.0 if curve.emf_sd_mv is None else float(curve.emf_sd_mv[0]) / mv_per_ph
    return Estimate(float(ph), float(np.sqrt(pivot_u + ((ph - 4.0) * slope_u) ** 2 + noise**2)))
