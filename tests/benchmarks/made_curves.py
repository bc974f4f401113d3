"""Titrations made by a forward solve, many at once, and the Cramer-Rao bound of what they tell.

A curve is solved exactly at each reading (bisection in pH), CO2 is lost between readings in small steps, doses scatter
and accumulate, the junction answers to acid, the electrode has an offset, a slope and noise. The method goes the other
way, by an explicit formula; with it this file shares the published constants and the proton balance's definition.

The bound is sd(A_T) = sqrt(((J' S^-1 J + P)^-1)_00) at the true parameters: J by finite differences of the forward
solve, S the true covariance of the signals, P what is known beforehand (the stated priors).
"""

from dataclasses import dataclass, replace

import numpy as np

from saltern.chemistry.electrode import nernst_mv
from saltern.chemistry.endpoint.curve import Conditions, Curve, Estimate, Priors
from saltern.chemistry.endpoint.first_guess import WINDOW_PH_FREE
from saltern.chemistry.endpoint.least_squares import CARBON_SHARE, LOSS_Z
from saltern.chemistry.endpoint.reading_model import JUNCTION_MV_KG_MOL, LOSS_SCALE_PER_S
from saltern.chemistry.equilibria import constants, total_over_free
from saltern.chemistry.seawater import totals
from saltern.chemistry.titration import alkalinity_without_carbon, bicarbonate_share, carbon_dioxide_share, solve_h

AIR_UATM = 450.0
LOSS_STEPS = 5
E4_MV = 150.0


@dataclass(frozen=True)
class Instruments:
    """An instrument class of the study: assumptions, as for the twin."""

    noise_mv: float
    walk_ml: float  # sd of 1 mL dispensed
    offset_mv: float
    slope: float
    lag_s: float


GOOD = Instruments(0.1, 0.005 * 0.05**0.5, 1.5, 0.004, 3.0)
HOBBY = Instruments(0.3, 0.02 * 0.05**0.5, 5.0, 0.01, 6.0)
CLASSES = {"good": GOOD, "hobby": HOBBY}
LOSSES_PER_MIN = {"closed": 0.0, "slow": 0.02, "usual": 0.05, "fast": 0.3}


@dataclass(frozen=True)
class Water:
    """Samples and their titrants; arrays of shape (n,)."""

    salinity: np.ndarray
    temperature_c: np.ndarray
    alkalinity: np.ndarray  # mol/kg
    carbon: np.ndarray  # mol/kg
    sample_g: np.ndarray
    strength: np.ndarray  # mol/kg
    titrant_salinity: np.ndarray
    loss_per_s: np.ndarray

    def __len__(self):
        return len(self.salinity)


@dataclass(frozen=True)
class Electrodes:
    """The electrode of each titration; arrays of shape (n,)."""

    e4_mv: np.ndarray
    slope: np.ndarray
    junction: np.ndarray  # mV per mol/kg of free [H]


@dataclass(frozen=True)
class Made:
    """n titrations of m readings: what each bench knows, and the truth."""

    water: Water
    curves: list[Curve]
    conditions: list[Conditions]
    priors: list[Priors]
    bound_umol_kg: np.ndarray

    @property
    def truth_umol_kg(self):
        return self.water.alkalinity * 1e6


def any_water(random, n, loss_per_min, *, alkalinity=(400.0, 7000.0)):
    """Draw n samples: S 30-38, 20-28 degC, alkalinity even in its logarithm, 50-150 mL, 0.02-0.1 mol/L."""
    salinity, t = random.uniform(30, 38, n), random.uniform(20, 28, n)
    a = np.exp(random.uniform(*np.log(alkalinity), n)) * 1e-6
    k, z = constants(salinity, t), total_over_free(salinity, t)
    h0 = 10.0 ** -random.uniform(7.7, 8.4, n) / z
    carbon = (a - alkalinity_without_carbon(h0, k, totals(salinity))) / bicarbonate_share(h0, k)
    return Water(
        salinity=salinity,
        temperature_c=t,
        alkalinity=a,
        carbon=np.maximum(carbon, 0.3 * a),
        sample_g=random.uniform(50, 150, n) * 1.024,
        strength=random.choice([0.02, 0.05, 0.1], n),
        titrant_salinity=np.where(random.random(n) < 0.5, 0.0, salinity),
        loss_per_s=np.full(n, loss_per_min / 60.0),
    )


def electrodes(random, n, instruments):
    return Electrodes(
        E4_MV + random.normal(0.0, instruments.offset_mv, n),
        1.0 + random.normal(0.0, instruments.slope, n),
        random.normal(0.0, JUNCTION_MV_KG_MOL, n),
    )


def acid_for(water, targets_ph_free, random, spread=0.003):
    """Return the acid, mol/kg of sample, shape (n, m + 1), that a plan which is right within `spread` would give."""
    k, t = constants(water.salinity, water.temperature_c), totals(water.salinity)
    acid = [np.zeros(len(water))]
    for ph in targets_ph_free:
        h = 10.0**-ph
        held = alkalinity_without_carbon(h, k, t) + 0.9 * water.carbon * bicarbonate_share(h, k)
        reached = (water.alkalinity - held) * (1.0 + random.normal(0.0, spread, len(water)))
        acid.append(np.maximum(acid[-1] + 0.004 * water.alkalinity, reached))
    return np.array(acid).T


def signals(water, acid, dilution, wait_s, e4, slope, alkalinity=None, carbon=None, loss=None):
    """Return the signal of a perfect reading at each amount of acid, mV, and free [H]; shapes (n, m)."""
    alkalinity = water.alkalinity if alkalinity is None else alkalinity
    c = water.carbon if carbon is None else carbon
    loss = water.loss_per_s if loss is None else loss
    t = totals(water.salinity)
    h_all = np.empty(acid.shape)
    for i in range(acid.shape[1]):
        d = dilution[:, i]
        k = constants(water.salinity * d + water.titrant_salinity * (1.0 - d), water.temperature_c)
        air = np.asarray(k.k0) * AIR_UATM * 1e-6
        if i:
            h = solve_h((alkalinity - acid[:, i]) * d, c, k, t, d)
            for _ in range(LOSS_STEPS):
                gas = carbon_dioxide_share(h, k)
                c = air / gas + (c - air / gas) * np.exp(-loss * gas * wait_s / LOSS_STEPS)
                h = solve_h((alkalinity - acid[:, i]) * d, c, k, t, d)
        else:
            h = solve_h((alkalinity - acid[:, i]) * d, c, k, t, d)
        h_all[:, i] = h
    mv = (slope * nernst_mv(water.temperature_c))[:, None]
    return e4[:, None] + mv * np.log(h_all / 1e-4), h_all


def make(random, water, instruments, targets, *, wait_s=20.0, known_electrode=True, with_bound=True):
    """Titrate every sample once.

    `known_electrode` False: offset within 30 mV and slope 0.95 to 1.03, of which the method is told no more.
    """
    n = len(water)
    wires = electrodes(random, n, instruments)
    e0_prior_sd, slope_prior = instruments.offset_mv, Estimate(1.0, instruments.slope)
    if not known_electrode:
        wires = replace(wires, e4_mv=E4_MV + random.uniform(-30, 30, n), slope=random.uniform(0.95, 1.03, n))
        e0_prior_sd, slope_prior = None, Estimate(0.99, 0.03)
    acid = acid_for(water, targets, random)
    stated_g = acid * (water.sample_g / water.strength)[:, None]
    doses = np.diff(stated_g, prepend=0.0, axis=1)
    dose_sd = instruments.walk_ml * np.sqrt(doses)
    true_g = np.cumsum(doses + random.normal(0.0, 1.0, doses.shape) * dose_sd, axis=1)
    emf, h = _read(water, true_g, wires, wait_s)
    emf = emf + wires.junction[:, None] * h + random.normal(0.0, instruments.noise_mv, emf.shape)
    m = acid.shape[1]
    z = np.asarray(total_over_free(water.salinity, water.temperature_c))
    nernst = nernst_mv(water.temperature_c)
    curves, conditions, priors = [], [], []
    for i in range(n):
        t = float(water.temperature_c[i])
        sd = np.full(m, instruments.noise_mv)
        curves.append(Curve(stated_g[i], emf[i], np.full(m, t), wait_s * np.arange(m), sd, dose_sd[i]))
        conditions.append(
            Conditions(
                float(water.sample_g[i]),
                float(water.salinity[i]),
                float(water.strength[i]),
                float(water.titrant_salinity[i]),
            )
        )
        e0 = E4_MV - float(slope_prior.value * nernst[i] * np.log(1e-4 * z[i]))
        e0_prior = None if e0_prior_sd is None else Estimate(e0, e0_prior_sd)
        priors.append(Priors(e0_prior, slope_prior, instruments.noise_mv))
    bound = np.full(n, np.nan)
    if with_bound:
        bound = cramer_rao(water, stated_g, dose_sd, wires, instruments, wait_s, e0_prior_sd, slope_prior.u)
    return Made(water, curves, conditions, priors, bound)


def _read(water, grams, wires, wait_s, **changed):
    acid = grams * (water.strength / water.sample_g)[:, None]
    dilution = water.sample_g[:, None] / (water.sample_g[:, None] + grams)
    e4 = changed.pop("e4", wires.e4_mv)
    slope = changed.pop("slope", wires.slope)
    return signals(water, acid, dilution, wait_s, e4, slope, **changed)


def cramer_rao(water, grams, dose_sd, wires, instruments, wait_s, offset_sd, slope_sd):
    """Return the bound on the standard deviation of each alkalinity, umol/kg, from the readings used."""
    n = len(water)
    base, h = _read(water, grams, wires, wait_s)
    used = (h > 10.0 ** -WINDOW_PH_FREE[1]) & (h < 10.0 ** -WINDOW_PH_FREE[0])
    steps = (1e-8, 0.01, 1e-5, 1e-8, 1e-7)
    # the parameter is the carbon at the first reading used; before, little of it is CO2, so that at the start will do
    moved = (
        _read(water, grams, wires, wait_s, alkalinity=water.alkalinity + steps[0]),
        _read(water, grams, wires, wait_s, e4=wires.e4_mv + steps[1]),
        _read(water, grams, wires, wait_s, slope=wires.slope + steps[2]),
        _read(water, grams, wires, wait_s, carbon=water.carbon + steps[3]),
        _read(water, grams, wires, wait_s, loss=water.loss_per_s + steps[4]),
    )
    jacobian = np.stack([(m[0] - base) / s for m, s in zip(moved, steps, strict=True)], axis=2)
    by_gram = (_read(water, grams + 1e-4, wires, wait_s)[0] - base) / 1e-4
    variance = np.cumsum(dose_sd**2, axis=1)
    shared = np.minimum(variance[:, :, None], variance[:, None, :]) * by_gram[:, :, None] * by_gram[:, None, :]
    junction = JUNCTION_MV_KG_MOL * h
    covariance = shared + junction[:, :, None] * junction[:, None, :] + instruments.noise_mv**2 * np.eye(h.shape[1])
    loss_sd = LOSS_Z.u * np.hypot(water.loss_per_s, LOSS_SCALE_PER_S)
    bound = np.empty(n)
    for i in range(n):
        keep = used[i]
        j = jacobian[i][keep]
        prior = np.array(
            [
                0.0,
                0.0 if offset_sd is None else offset_sd**-2.0,
                slope_sd**-2.0,
                (CARBON_SHARE.u * water.alkalinity[i]) ** -2.0,
                loss_sd[i] ** -2.0,
            ]
        )
        information = j.T @ np.linalg.solve(covariance[i][np.ix_(keep, keep)], j) + np.diag(prior)
        scale = 1.0 / np.sqrt(np.diag(information))
        inverse = np.linalg.inv(information * np.outer(scale, scale))
        bound[i] = np.sqrt(inverse[0, 0]) * scale[0] * 1e6
    return bound
