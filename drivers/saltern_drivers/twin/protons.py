"""The proton balance, solved as a charge balance over species.

The service evaluates curves by writing alkalinity as an explicit function of [H]. Here it goes the other way and by
another road: from the charge that strong ions leave over, every acid-base species is computed at a trial pH, and
Newton's steps within a bracket lead to the pH at which charges balance. The constants are the published ones.
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


def charge_and_slope(h: float, m: Medium, natural_salinity: float, carbon: float) -> tuple[float, float]:
    """Return what `unbalanced_charge` does, and by how much it grows with pH, mol/kg.

    Each acid HA of total T and constant K takes part with T K / (K + h), whose slope is ln 10 T K h / (K + h)^2; the
    two steps of carbonic acid are taken together (Stumm & Morgan 1996, Aquatic Chemistry, chapter 3, buffer intensity).
    """
    k12 = m.k1 * m.k2
    weight = h * (h + m.k1) + k12
    of_borate, of_sulfate, of_fluoride = h + m.kb, h + m.ks, h + m.kf
    borate = m.borate * natural_salinity * m.kb / of_borate
    bisulfate = m.sulfate * natural_salinity * h / of_sulfate
    hydrofluoric = m.fluoride * natural_salinity * h / of_fluoride
    carbonic = carbon * m.k1 * h / weight  # bicarbonate
    hydroxide = m.kw / h
    charge = carbonic + 2.0 * carbon * k12 / weight + borate + hydroxide - h - bisulfate - hydrofluoric
    slope = (
        carbonic * (h * (h + 4.0 * m.k2) + k12) / weight
        + borate * h / of_borate
        + bisulfate * m.ks / of_sulfate
        + hydrofluoric * m.kf / of_fluoride
        + hydroxide
        + h
    )
    return charge, LN10 * slope


LOWEST_PH, HIGHEST_PH = -1.0, 15.0
CLOSE_PH = 1e-6
"""Newton's steps square the error, within a factor of about one: after a step of this size it is far below 1e-9."""


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
        Where to look first: with the last root two or three steps of Newton's do. The charge grows with pH everywhere,
        so each trial closes a bracket from one side. A step that leaves the bracket, or is not half of the last one
        but one, halves the bracket instead: beside a steep flank Newton's steps alone may go round in a circle.
    """
    low, high, ph = LOWEST_PH, HIGHEST_PH, guess
    step = before = HIGHEST_PH - LOWEST_PH
    for _ in range(100):
        charge, slope = charge_and_slope(exp(-LN10 * ph), m, natural_salinity, carbon)
        excess = charge - alkalinity
        if excess < 0.0:
            low = ph
        else:
            high = ph
        step, last_but_one, before = -excess / slope, before, abs(step)
        if not low <= ph + step <= high or abs(step) > 0.5 * last_but_one:
            step = 0.5 * (low + high) - ph
        ph += step
        if -CLOSE_PH < step < CLOSE_PH:
            break
    return ph


def carbon_for(ph: float, alkalinity: float, natural_salinity: float, m: Medium) -> float:
    """Return the inorganic carbon, mol/kg, that a water of this free pH and alkalinity holds."""
    h = exp(-LN10 * ph)
    rest = unbalanced_charge(h, m, natural_salinity, 0.0)
    per_carbon = (1.0 / (1.0 + m.k1 / h * (1.0 + m.k2 / h))) * m.k1 / h * (1.0 + 2.0 * m.k2 / h)
    return max(0.0, (alkalinity - rest) / per_carbon)


def carbonic_share(h: float, m: Medium) -> float:
    """Return the share of inorganic carbon that is dissolved CO2."""
    return 1.0 / (1.0 + m.k1 / h * (1.0 + m.k2 / h))
