"""The proton balance, solved as a charge balance over species.

The service evaluates curves by writing alkalinity as an explicit function of [H]. Here it goes the other way and by
another road: from the charge that strong ions leave over, every acid-base species is computed at a trial pH, and the
pH is bracketed until charges balance. The constants are the published ones.
"""

from dataclasses import dataclass
from math import exp, log

from saltern.chemistry.equilibria import constants
from saltern.chemistry.seawater import totals

LN10 = log(10.0)


@dataclass(frozen=True, slots=True)
class Medium:
    """Constants (free scale, mol/kg) and natural totals per unit of practical salinity, as plain floats."""

    k1: float
    k2: float
    kb: float
    kw: float
    ks: float
    kf: float
    k0: float
    borate: float
    sulfate: float
    fluoride: float


_BORATE, _SULFATE, _FLUORIDE = (float(x) for x in (totals(1.0).borate, totals(1.0).sulfate, totals(1.0).fluoride))


NACL_PK = ((6.02, 1.6), (9.60, 2.6), (13.76, 9.8))
"""pK1, pK2 and pKw in 0.7 mol/kg NaCl at 25 degC, and how each falls with relative warming. The service believes other
values by 0.02 and 0.05: about so well they are known (from memory)."""


def medium(ionic_salinity: float, temperature_c: float, *, sodium_chloride: bool = False) -> Medium:
    """Return the medium of a mixture of this ionic strength; in sodium chloride no natural salt takes protons."""
    k = constants(max(ionic_salinity, 1.0), temperature_c)
    if sodium_chloride:
        warm = (temperature_c - 25.0) / 298.15
        k1, k2, kw = (10.0 ** -(pk - by_t * warm) for pk, by_t in NACL_PK)
        return Medium(k1, k2, float(k.kb), kw, float(k.ks), float(k.kf), float(k.k0), 0.0, 0.0, 0.0)
    k1, k2, kb, kw, ks, kf, k0 = (float(n) for n in (k.k1, k.k2, k.kb, k.kw, k.ks, k.kf, k.k0))
    return Medium(k1, k2, kb, kw, ks, kf, k0, _BORATE, _SULFATE, _FLUORIDE)


def unbalanced_charge(h: float, m: Medium, natural_salinity: float, carbon: float) -> float:
    """Return the charge of all weak acids' anions, hydroxide and protons, mol/kg, weighed as alkalinity counts it."""
    borate, sulfate = m.borate * natural_salinity, m.sulfate * natural_salinity
    fluoride = m.fluoride * natural_salinity
    carbonic = carbon / (1.0 + m.k1 / h * (1.0 + m.k2 / h))
    bicarbonate = carbonic * m.k1 / h
    carbonate = bicarbonate * m.k2 / h
    boric = borate / (1.0 + m.kb / h)
    bisulfate = sulfate / (1.0 + m.ks / h)
    hydrofluoric = fluoride / (1.0 + m.kf / h)
    return bicarbonate + 2.0 * carbonate + (borate - boric) + m.kw / h - h - bisulfate - hydrofluoric


def ph_free(alkalinity: float, carbon: float, natural_salinity: float, m: Medium, guess: float = 8.0) -> float:
    """Return free pH at which charges balance.

    Parameters
    ----------
    alkalinity, carbon
        mol/kg of the mixture.
    natural_salinity
        Of the natural salt in the mixture.
    m
        The medium.
    guess
        Where to look first; a bracket is grown around it and closed by regula falsi (Illinois).
    """

    def excess(ph: float) -> float:
        return unbalanced_charge(exp(-LN10 * ph), m, natural_salinity, carbon) - alkalinity

    low, high = guess - 0.05, guess + 0.05
    f_low, f_high = excess(low), excess(high)
    step = 0.2
    while f_low > 0.0 and low > -1.0:
        high, f_high = low, f_low
        low -= step
        f_low = excess(low)
        step *= 2.0
    step = 0.2
    while f_high < 0.0 and high < 15.0:
        low, f_low = high, f_high
        high += step
        f_high = excess(high)
        step *= 2.0
    for _ in range(80):
        middle = (low * f_high - high * f_low) / (f_high - f_low) if f_high != f_low else 0.5 * (low + high)
        if not low < middle < high:
            middle = 0.5 * (low + high)
        f = excess(middle)
        if f < 0.0:
            low, f_low = middle, f
            f_high *= 0.5
        else:
            high, f_high = middle, f
            f_low *= 0.5
        if high - low < 1e-9 or abs(f) < 1e-13:
            return middle
    return 0.5 * (low + high)


def carbon_for(ph: float, alkalinity: float, natural_salinity: float, m: Medium) -> float:
    """Return the inorganic carbon, mol/kg, that a water of this free pH and alkalinity holds."""
    h = exp(-LN10 * ph)
    rest = unbalanced_charge(h, m, natural_salinity, 0.0)
    per_carbon = (1.0 / (1.0 + m.k1 / h * (1.0 + m.k2 / h))) * m.k1 / h * (1.0 + 2.0 * m.k2 / h)
    return max(0.0, (alkalinity - rest) / per_carbon)


def carbonic_share(h: float, m: Medium) -> float:
    """Return the share of inorganic carbon that is dissolved CO2."""
    return 1.0 / (1.0 + m.k1 / h * (1.0 + m.k2 / h))
