"""The proton balance of a titrated sample: the forward model of a curve.

Total alkalinity as Dickson 1981, Deep-Sea Res. 28A, 609, defines it. Everything is on the free scale in mol/kg
of solution; totals are diluted by `dilution`, the sample's share of the mass in the vessel.
"""

import numpy as np

from saltern.chemistry.equilibria import Constants
from saltern.chemistry.quantities import FloatArray, Number
from saltern.chemistry.seawater import Totals


def bicarbonate_share(h: Number, k: Constants) -> Number:
    """Return the alkalinity that one mole of inorganic carbon carries: ([HCO3] + 2 [CO3]) / C_T."""
    return (k.k1 * h + 2.0 * k.k1 * k.k2) / (h * h + k.k1 * h + k.k1 * k.k2)


def carbon_dioxide_share(h: Number, k: Constants) -> Number:
    """Return [CO2*] / C_T."""
    return h * h / (h * h + k.k1 * h + k.k1 * k.k2)


def alkalinity_without_carbon(h: Number, k: Constants, t: Totals, dilution: Number = 1.0) -> Number:
    """Return the alkalinity in the vessel, mol/kg, less what carbonate species carry.

    Parameters
    ----------
    h
        Free hydrogen ions, mol/kg.
    k, t
        Constants, and the undiluted totals of the sample.
    dilution
        m0 / (m0 + m).
    """
    phosphate = (k.kp1 * k.kp2 * h + 2.0 * k.kp1 * k.kp2 * k.kp3 - h**3) / (
        h**3 + k.kp1 * h**2 + k.kp1 * k.kp2 * h + k.kp1 * k.kp2 * k.kp3
    )
    bound = (
        t.borate * k.kb / (k.kb + h)
        + t.phosphate * phosphate
        + t.silicate * k.ksi / (k.ksi + h)
        - t.sulfate * h / (k.ks + h)
        - t.fluoride * h / (k.kf + h)
    )
    return k.kw / h - h + dilution * bound


def alkalinity(h: Number, carbon: Number, k: Constants, t: Totals, dilution: Number = 1.0) -> Number:
    """Return the alkalinity in the vessel, mol/kg, for `carbon` mol/kg of undiluted sample."""
    return alkalinity_without_carbon(h, k, t, dilution) + dilution * carbon * bicarbonate_share(h, k)


def solve_h(target: Number, carbon: Number, k: Constants, t: Totals, dilution: Number = 1.0) -> FloatArray:
    """Return free hydrogen ions, mol/kg, at which the alkalinity in the vessel is `target`, mol/kg.

    Alkalinity falls strictly with [H], so bisection in pH cannot fail.
    """
    shape = np.broadcast(target, carbon, dilution, np.asarray(k.k1)).shape
    low, high = np.full(shape, 0.0), np.full(shape, 14.0)  # pH
    for _ in range(52):
        middle = 0.5 * (low + high)
        above = np.asarray(alkalinity(10.0**-middle, carbon, k, t, dilution)) > target
        high = np.where(above, middle, high)
        low = np.where(above, low, middle)
    return np.asarray(10.0 ** -(0.5 * (low + high)))
