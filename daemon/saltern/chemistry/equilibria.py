"""The acid-base constants, each with its source, scale and range.

All are returned on the *free* hydrogen-ion scale in mol/kg of solution, because an electrode in a constant
ionic medium follows free hydrogen ions, and because one scale in the balance leaves no room for mixing them.
"""

from dataclasses import dataclass

import numpy as np

from saltern.chemistry.quantities import Medium, Number
from saltern.chemistry.seawater import Totals, totals


@dataclass(frozen=True, slots=True)
class Constants:
    """Stoichiometric constants, free scale, mol/kg of solution; `k0` in mol/(kg atm); floats or arrays."""

    k1: Number
    k2: Number
    kb: Number
    kw: Number
    ks: Number
    kf: Number
    kp1: Number
    kp2: Number
    kp3: Number
    ksi: Number
    k0: Number


def constants(salinity: Number, temperature_c: Number, medium: Medium = Medium.SEAWATER) -> Constants:
    """Return the constants of a medium.

    Parameters
    ----------
    salinity
        Practical salinity, 1 to 45. In NaCl it only says the ionic strength.
    temperature_c
        Temperature, degC, 0 to 40.
    medium
        Seawater, or NaCl of about 0.7 mol/kg.
    """
    if medium is Medium.NACL:
        return _sodium_chloride(salinity, temperature_c)
    return _seawater(salinity, temperature_c)


def bisulfate(salinity: Number, temperature_c: Number) -> Number:
    """Return KS = [H][SO4]/[HSO4], free scale: Dickson 1990, J. Chem. Thermodyn. 22, 113 (S 5-45, 0-45 degC)."""
    t = np.asarray(temperature_c) + 273.15
    ionic = ionic_strength(salinity)
    ln = (
        -4276.1 / t
        + 141.328
        - 23.093 * np.log(t)
        + (-13856.0 / t + 324.57 - 47.986 * np.log(t)) * np.sqrt(ionic)
        + (35474.0 / t - 771.54 + 114.723 * np.log(t)) * ionic
        - 2698.0 / t * ionic**1.5
        + 1776.0 / t * ionic**2
    )
    return _plain(np.exp(ln) * _per_kg_solution(salinity))


def hydrogen_fluoride(salinity: Number, temperature_c: Number) -> Number:
    """Return KF = [H][F]/[HF], free scale: Dickson & Riley 1979, Mar. Chem. 7, 101."""
    t = np.asarray(temperature_c) + 273.15
    ln = 1590.2 / t - 12.641 + 1.525 * np.sqrt(ionic_strength(salinity))
    return _plain(np.exp(ln) * _per_kg_solution(salinity))


def ionic_strength(salinity: Number) -> Number:
    """Return the ionic strength of seawater, mol/kg of water: Dickson, Sabine & Christian 2007, chapter 5."""
    return 19.924 * np.asarray(salinity) / (1000.0 - 1.005 * np.asarray(salinity))


def total_over_free(salinity: Number, temperature_c: Number, medium: Medium = Medium.SEAWATER) -> Number:
    """Return [H]total / [H]free = 1 + S_T / K_S; 1 in NaCl, which has no sulfate."""
    if medium is Medium.NACL:
        return 1.0
    return _plain(1.0 + np.asarray(totals(salinity).sulfate) / bisulfate(salinity, temperature_c))


def _seawater(salinity: Number, temperature_c: Number) -> Constants:
    s = np.asarray(salinity, dtype=float)
    t = np.asarray(temperature_c, dtype=float) + 273.15
    ln_t, root_s = np.log(t), np.sqrt(s)
    ionic = ionic_strength(s)
    water: Totals = totals(s)
    ks, kf = bisulfate(s, temperature_c), hydrogen_fluoride(s, temperature_c)
    total_to_free = 1.0 / (1.0 + water.sulfate / ks)
    sws_to_free = 1.0 / (1.0 + water.sulfate / ks + water.fluoride / kf)

    # Lueker, Dickson & Keeling 2000, Mar. Chem. 70, 105; total scale; S 19-43, 2-35 degC
    pk1 = 3633.86 / t - 61.2172 + 9.67770 * ln_t - 0.011555 * s + 0.0001152 * s**2
    pk2 = 471.78 / t + 25.9290 - 3.16967 * ln_t - 0.01781 * s + 0.0001122 * s**2
    # Dickson 1990, Deep-Sea Res. 37, 755; total scale; S 5-45, 0-45 degC
    ln_kb = (
        (-8966.90 - 2890.53 * root_s - 77.942 * s + 1.728 * s**1.5 - 0.0996 * s**2) / t
        + 148.0248
        + 137.1942 * root_s
        + 1.62142 * s
        + (-24.4344 - 25.085 * root_s - 0.2474 * s) * ln_t
        + 0.053105 * root_s * t
    )
    # Millero 1995, Geochim. Cosmochim. Acta 59, 661; seawater scale
    ln_kw = 148.9802 - 13847.26 / t - 23.6521 * ln_t + (-5.977 + 118.67 / t + 1.0495 * ln_t) * root_s - 0.01615 * s
    # Phosphate and silicate as in Dickson, Sabine & Christian 2007, chapter 5; total scale
    ln_kp1 = -4576.752 / t + 115.525 - 18.453 * ln_t + (-106.736 / t + 0.69171) * root_s + (-0.65643 / t - 0.01844) * s
    ln_kp2 = -8814.715 / t + 172.0883 - 27.927 * ln_t + (-160.34 / t + 1.3566) * root_s + (0.37335 / t - 0.05778) * s
    ln_kp3 = -3070.75 / t - 18.141 + (17.27039 / t + 2.81197) * root_s + (-44.99486 / t - 0.09984) * s
    ln_ksi = (
        -8904.2 / t
        + 117.385
        - 19.334 * ln_t
        + (-458.79 / t + 3.5913) * np.sqrt(ionic)
        + (188.74 / t - 1.5998) * ionic
        + (-12.1652 / t + 0.07871) * ionic**2
    )
    return Constants(
        k1=_plain(10.0**-pk1 * total_to_free),
        k2=_plain(10.0**-pk2 * total_to_free),
        kb=_plain(np.exp(ln_kb) * total_to_free),
        kw=_plain(np.exp(ln_kw) * sws_to_free),
        ks=ks,
        kf=kf,
        kp1=_plain(np.exp(ln_kp1) * total_to_free),
        kp2=_plain(np.exp(ln_kp2) * total_to_free),
        kp3=_plain(np.exp(ln_kp3) * total_to_free),
        ksi=_plain(np.exp(ln_ksi) * _per_kg_solution(s) * total_to_free),
        k0=carbon_dioxide_solubility(s, temperature_c),
    )


def carbon_dioxide_solubility(salinity: Number, temperature_c: Number) -> Number:
    """Return K0 in mol/(kg atm): Weiss 1974, Mar. Chem. 2, 203."""
    s, hundred = np.asarray(salinity), (np.asarray(temperature_c) + 273.15) / 100.0
    ln = (
        93.4517 / hundred
        - 60.2409
        + 23.3585 * np.log(hundred)
        + s * (0.023517 - 0.023656 * hundred + 0.0047036 * hundred**2)
    )
    return _plain(np.exp(ln))


def _sodium_chloride(salinity: Number, temperature_c: Number) -> Constants:
    """Return constants in about 0.7 mol/kg NaCl, free scale.

    At 25 degC: pK1 6.00, pK2 9.55, pKW 13.76 (values from memory for 0.7 mol/kg NaCl, held against a Pitzer
    model in the tests); their temperature dependence is that of infinite dilution, by van 't Hoff with
    9.1, 14.7 and 55.8 kJ/mol. Only what bicarbonate is left below pH 6 enters a standardisation, and its amount
    is fitted, so 0.05 in pK1 moves the result by well under 1 umol/kg.
    """
    t = np.asarray(temperature_c, dtype=float) + 273.15
    over_r = (1.0 / 298.15 - 1.0 / t) / 8.314462618e-3  # per kJ/mol
    absent = _plain(np.ones_like(t))
    return Constants(
        k1=_plain(10.0**-6.00 * np.exp(9.1 * over_r)),
        k2=_plain(10.0**-9.55 * np.exp(14.7 * over_r)),
        kb=_plain(10.0**-8.9 * absent),
        kw=_plain(10.0**-13.76 * np.exp(55.8 * over_r)),
        ks=absent,
        kf=absent,
        kp1=_plain(10.0**-1.7 * absent),
        kp2=_plain(10.0**-6.4 * absent),
        kp3=_plain(10.0**-11.0 * absent),
        ksi=_plain(10.0**-9.5 * absent),
        k0=carbon_dioxide_solubility(salinity, temperature_c),
    )


def _per_kg_solution(salinity: Number) -> Number:
    return 1.0 - 0.001005 * np.asarray(salinity)


def _plain(value: Number) -> Number:
    """Return a float where there is one number, and the array where there are several."""
    array = np.asarray(value)
    return float(array) if array.ndim == 0 else array
