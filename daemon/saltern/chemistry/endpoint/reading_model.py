"""What each reading says of the alkalinity: the equations behind the default method, value and derivative.

Every reading below about pH 6.9 is one explicit estimate of the sample's alkalinity,

    y_i = a_i + A(H_i; C_i, D_i) / D_i,       a_i = m_i c / m0,   D_i = m0 / (m0 + m_i),

where A is the proton balance (Dickson 1981, Deep-Sea Res. 28A, 609) at the free [H] that the electrode shows,
ln H = ln 1e-4 + (E - e4) / (s RT/F). Unknown are, in this order:

0. the alkalinity, mol/kg;
1. e4, the potential at free pH 4, mV: a pivot that makes offset and slope nearly independent;
2. the slope s, a fraction of Nernst's;
3. the inorganic carbon C at the first reading used, mol/kg; in a purged vessel the dissolved CO2, throughout;
4. the rate k at which CO2 is lost to the air, as z with k = k_s sinh z. About zero z is linear in k, so that a closed
   vessel is no special case and the estimate has no wall to lean on; far from zero it is a logarithm, as befits a
   rate known within a factor.

Arrays may have leading dimensions: (..., n) readings.
"""

from dataclasses import dataclass
from math import cosh, sinh
from typing import NamedTuple

import numpy as np

from saltern.chemistry.endpoint.curve import Co2
from saltern.chemistry.equilibria import Constants
from saltern.chemistry.quantities import FloatArray
from saltern.chemistry.seawater import Totals

PIVOT_H = 1e-4
PARAMETERS = 5

LOSS_SCALE_PER_S = 0.02 / 60.0
"""k_s: about this rate the loss changes from a number about zero to a number of some magnitude."""

JUNCTION_MV_KG_MOL = 100.0
"""Standard deviation of the liquid junction's answer to acid, mV per mol/kg of free [H]. The Henderson equation
gives about 80 for seawater against concentrated KCl; real junctions differ in size and sign."""

LARGEST_FADING = 300.0  # of an exponent, so that products neither vanish nor overflow
LEAST_VARIANCE = 1e-18  # (mol/kg)^2: 0.001 umol/kg, so that exact curves have an inverse


@dataclass(frozen=True)
class Medium:
    """The acids and bases of the vessel, but for carbonate; arrays of shape (m, ...) broadcast against readings."""

    k1: FloatArray | float
    k1k2: FloatArray | float
    kw: FloatArray | float
    acids_k: FloatArray  # of those present: borate, silicate, sulfate, fluoride
    acids_total: FloatArray  # (m,), mol/kg of undiluted sample
    zero_level: float  # what sulfate and fluoride take when fully protonated, mol/kg
    phosphate: float
    kp: tuple[FloatArray | float, FloatArray | float, FloatArray | float]


def medium_of(k: Constants, t: Totals) -> Medium:
    """Return the medium of these constants and totals."""
    present = [(t.borate, k.kb), (t.silicate, k.ksi), (t.sulfate, k.ks), (t.fluoride, k.kf)]
    present = [(float(total), k_of) for total, k_of in present if total] or [(0.0, k.kb)]
    return Medium(
        k1=k.k1,
        k1k2=np.asarray(k.k1) * k.k2,
        kw=k.kw,
        acids_k=np.array(np.broadcast_arrays(*(k_of for _, k_of in present)), dtype=float),
        acids_total=np.array([total for total, _ in present]),
        zero_level=float(t.sulfate + t.fluoride),
        phosphate=float(t.phosphate),
        kp=(k.kp1, k.kp2, k.kp3),
    )


@dataclass(frozen=True)
class Departures:
    """What a real electrode has beside Nernst's law: each one unknown coefficient for all readings of a curve.

    Parameters
    ----------
    bend_mv
        Standard deviation of its bend: how far it is at pH 8 from the line through pH 4 and 7, as a parabola.
    behind_mv
        (n,) how far its slow part is behind at each reading, mV, for one standard deviation of its share.
    """

    bend_mv: float
    behind_mv: FloatArray


@dataclass(frozen=True)
class Readings:
    """The readings used and what is held fixed; shapes (..., n)."""

    acid: FloatArray  # a_i, mol/kg of sample
    dilution: FloatArray
    emf_mv: FloatArray
    nernst_mv: FloatArray  # RT/F
    elapsed_s: FloatArray  # since the reading before; 0 for the first
    medium: Medium
    equilibrium_carbon: float  # dissolved CO2 in equilibrium with the air of the room, mol/kg
    noise_mv: FloatArray
    dose_variance: FloatArray  # of a_i, cumulative, (mol/kg)^2
    co2: Co2
    departures: Departures | None = None


@dataclass(frozen=True)
class Evaluated:
    """Residuals y - A_T (mol/kg), their Jacobian (..., n, 5), and dy/dE (mol/kg per mV)."""

    residual: FloatArray
    jacobian: FloatArray
    dy_de: FloatArray


def evaluated(p: Readings, theta: FloatArray) -> Evaluated:
    """Return residuals and derivatives at the parameters `theta`, shape (5,)."""
    alkalinity, e4, slope, carbon, loss_z = theta
    nernst_slope = slope * p.nernst_mv
    ln_ratio = (p.emf_mv - e4) / nernst_slope
    h = PIVOT_H * np.exp(ln_ratio)
    bare, bare_slope = without_carbon(h, p.medium, p.dilution)
    first, second = p.medium.k1 / h, p.medium.k1k2 / (h * h)
    gas = 1.0 / (1.0 + first + second)
    share = (first + 2.0 * second) * gas
    share_slope = share * share - (first + 4.0 * second) * gas
    dlnh_de4, dlnh_dslope = -1.0 / nernst_slope, -ln_ratio / slope
    by_parameter = np.zeros((PARAMETERS, *h.shape))
    if p.co2 is Co2.OPEN:
        c = _carbon_left(p, float(carbon), float(loss_z), gas, share, dlnh_de4, dlnh_dslope, by_parameter[1:])
        by_parameter *= share
    else:
        if p.co2 is Co2.PURGED:  # what is dissolved is held by the air, and bicarbonate stands in equilibrium with it
            share, share_slope = first + 2.0 * second, -(first + 4.0 * second)
        c = carbon
        by_parameter[3] = share
    dy_dlnh = bare_slope + c * share_slope
    by_parameter[0] = -1.0
    by_parameter[1] += dy_dlnh * dlnh_de4
    by_parameter[2] += dy_dlnh * dlnh_dslope
    jacobian = by_parameter.transpose(*range(1, by_parameter.ndim), 0)
    return Evaluated(p.acid + bare + c * share - alkalinity, jacobian, dy_dlnh / nernst_slope)


def acid_taken(p: Readings, theta: FloatArray, titrant_mol_per_kg: float) -> FloatArray:
    """Return the acid, mol/kg of sample, that brings the sample to each reading's pH in turn, (..., n).

    Acid dilutes, and of the balance water alone goes by the dilution: two turns find acid and dilution together.
    """
    alkalinity, e4, slope, carbon, loss_z = theta
    h = PIVOT_H * np.exp((p.emf_mv - e4) / (slope * p.nernst_mv))
    undiluted, _ = without_carbon(h, p.medium, np.ones(h.shape))
    first, second = p.medium.k1 / h, p.medium.k1k2 / (h * h)
    share, c = first + 2.0 * second, carbon
    if p.co2 is not Co2.PURGED:
        gas = 1.0 / (1.0 + first + second)
        share = share * gas
        if p.co2 is Co2.OPEN:
            c = _course(p, float(carbon), float(loss_z), gas).carbon
    beside, water = undiluted + c * share - alkalinity, p.medium.kw / h - h
    acid = np.zeros(h.shape)
    for _ in range(2):
        needed = -(beside + water * acid / titrant_mol_per_kg)
        acid = np.maximum.accumulate(np.maximum(needed, 0.0), axis=-1)
    return acid


class _Course(NamedTuple):
    """How the carbon falls from reading to reading, (..., n); see `_course`."""

    exposure: FloatArray
    fading: FloatArray
    kept: FloatArray
    product: FloatArray
    settled: FloatArray
    gained: FloatArray
    carbon: FloatArray


def _course(p: Readings, carbon: float, loss_z: float, gas: FloatArray) -> _Course:
    """Return the carbon at each reading, with what its derivatives are made of.

    dC/dt = -k (g C - C_air), with the CO2 share g constant from reading to reading, solves to
    C_i = e_i C_(i-1) + (1 - e_i) u_i with e_i = exp(-k g_i dt_i) and u_i = C_air / g_i; so does each derivative,
    with its own source. The running product of the e_i makes each a cumulative sum.
    """
    exposure = gas * p.elapsed_s
    fading = np.maximum((-LOSS_SCALE_PER_S * sinh(loss_z)) * exposure, -LARGEST_FADING)
    kept = np.exp(fading)
    product = np.exp(np.maximum(fading.cumsum(-1), -LARGEST_FADING))
    settled = p.equilibrium_carbon / gas
    gained = (1.0 - kept) * settled
    left = product * (carbon + (gained / product).cumsum(-1))
    return _Course(exposure, fading, kept, product, settled, gained, left)


def _carbon_left(
    p: Readings,
    carbon: float,
    loss_z: float,
    gas: FloatArray,
    share: FloatArray,
    dlnh_de4: FloatArray,
    dlnh_dslope: FloatArray,
    by_parameter: FloatArray,
) -> FloatArray:
    """Return the carbon at each reading; its derivatives by e4, slope, carbon and loss come into `by_parameter`."""
    exposure, fading, kept, product, settled, gained, c = _course(p, carbon, loss_z, gas)
    before = np.empty_like(c)
    before[..., 0], before[..., 1:] = carbon, c[..., :-1]
    pull = (before - settled) * kept  # times the change of an exponent is what a change of e does
    by_lnh = (fading * pull - gained) * share
    by_parameter[0], by_parameter[1] = by_lnh * dlnh_de4, by_lnh * dlnh_dslope
    by_parameter[3] = (-LOSS_SCALE_PER_S * cosh(loss_z)) * exposure * pull
    by_parameter /= product
    by_parameter[2, ..., 0] = 1.0
    by_parameter.cumsum(-1, out=by_parameter)
    by_parameter *= product
    return np.asarray(c)


def covariance(p: Readings, theta: FloatArray, dy_de: FloatArray) -> FloatArray:
    """Return the covariance of y, (..., n, n), (mol/kg)^2.

    Three parts: the electrode's noise, independent, through dy/dE; the liquid junction, one unknown coefficient
    for all readings; and the doses' scatter, which accumulates, so that two readings share the variance of all
    doses up to the earlier one. A fourth where departures are allowed for: they too are common to all readings.
    """
    h = PIVOT_H * np.exp((p.emf_mv - theta[1]) / (theta[2] * p.nernst_mv))
    shared = np.minimum(p.dose_variance[..., :, None], p.dose_variance[..., None, :])
    total = shared + _common(dy_de * JUNCTION_MV_KG_MOL * h)
    if p.departures is not None:
        total += _common(dy_de * p.departures.bend_mv * bend(-np.log10(h)))
        total += _common(dy_de * p.departures.behind_mv)
    n = h.shape[-1]
    flat = total.reshape(*h.shape[:-1], n * n)
    flat[..., :: n + 1] += (dy_de * p.noise_mv) ** 2 + LEAST_VARIANCE
    return np.asarray(total)


def ph_free(p: Readings, theta: FloatArray) -> FloatArray:
    """Return the free pH that the electrode shows at each reading, (..., n)."""
    ln_ratio = (p.emf_mv - theta[1]) / (theta[2] * p.nernst_mv)
    return np.asarray(-(np.log10(PIVOT_H) + ln_ratio / np.log(10.0)))


def bend(ph: FloatArray) -> FloatArray:
    """Return the parabola that is 0 at pH 4 and 7 and 1 at pH 8."""
    return (ph - 4.0) * (ph - 7.0) / 4.0


def _common(y: FloatArray) -> FloatArray:
    """Return the covariance of one unknown that adds `y` at one standard deviation."""
    return np.asarray(y[..., :, None] * y[..., None, :])


def without_carbon(h: FloatArray, m: Medium, dilution: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return A(H) / D without carbonate species, and its derivative by ln H, mol/kg of undiluted sample."""
    k = m.acids_k
    if k.ndim <= h.ndim:
        k = k.reshape(len(k), *(1,) * (h.ndim + 1 - k.ndim), *k.shape[1:])
    base = k / (k + h)
    water = m.kw / h
    value = (water - h) / dilution + _weighed(m.acids_total, base) - m.zero_level
    slope = -(water + h) / dilution - _weighed(m.acids_total, base - base * base)
    if m.phosphate:
        k1, k12 = m.kp[0], m.kp[0] * m.kp[1]
        k123 = k12 * m.kp[2]
        top, bottom = k12 * h + 2.0 * k123 - h**3, h**3 + k1 * h * h + k12 * h + k123
        dtop, dbottom = k12 * h - 3.0 * h**3, 3.0 * h**3 + 2.0 * k1 * h * h + k12 * h
        value = value + m.phosphate * top / bottom
        slope = slope + m.phosphate * (dtop * bottom - top * dbottom) / bottom**2
    return np.asarray(value), np.asarray(slope)


def _weighed(weights: FloatArray, stack: FloatArray) -> FloatArray:
    return np.asarray(weights.dot(stack.reshape(len(weights), -1)).reshape(stack.shape[1:]))
