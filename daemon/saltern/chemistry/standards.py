"""Standards as liquids: the background of a carbonate standard, and solutions of known conductivity."""

import numpy as np

from saltern.chemistry.seawater import conductivity_ms_cm, density_kg_l

SODIUM_CHLORIDE_G_MOL = 58.443
BACKGROUND_MOL_KG = 0.7
"""NaCl that gives a carbonate standard the ionic strength of seawater (Dickson, Sabine & Christian 2007, SOP 3)."""

NACL_IONIC_SALINITY = 35.0
"""Practical salinity of about that ionic strength: what `Medium.NACL` wants to know of it."""

WATER_KG_L_PER_PERCENT_NACL = 0.00715
"""Rise of density with each percent by mass of NaCl up to 6 % (handbook tables at 20 degC, 1.0268 at 4 %; memory)."""

KCL_TEMPERATURES_C = (0.0, 5.0, 10.0, 15.0, 18.0, 20.0, 25.0, 30.0, 35.0, 40.0, 45.0, 50.0)
KCL_MS_CM: dict[str, tuple[float, ...]] = {
    "kcl-0.01": (
        0.77292, 0.89096, 1.01395, 1.14145, 1.21993, 1.27303, 1.40823, 1.54663, 1.68779, 1.83127, 1.97662, 2.12343,
    ),
    "kcl-0.1": (
        7.11685, 8.1837, 9.29172, 10.4371, 11.1406, 11.6159, 12.8246, 14.0592, 15.316, 16.591, 17.8806, 19.1809,
    ),
}  # fmt: skip
"""Potassium chloride of 0.01 and 0.1 mol/kg, mS/cm (Wu, Koch & Pratt 1991, J. Res. NIST 96, 191; Pratt et al. 2001,
Pure Appl. Chem. 73, 1783), what dissolved CO2 adds taken off."""


def nacl_density_kg_l(temperature_c: float, mol_per_kg: float = BACKGROUND_MOL_KG) -> float:
    """Return the density of the standard's background, kg/L."""
    percent = mol_per_kg * SODIUM_CHLORIDE_G_MOL / 10.0
    return float(density_kg_l(0.0, temperature_c)) + WATER_KG_L_PER_PERCENT_NACL * percent


def standard_ms_cm(name: str, temperature_c: float) -> float:
    """Return the conductivity of a standard at its own temperature, mS/cm.

    Parameters
    ----------
    name
        ``"35"`` or another practical salinity, ``"kcl-0.1"`` or ``"kcl-0.01"`` (mol/kg), or what a label says of
        25 degC, such as ``"53.0 mS/cm"``: that one is taken to change with temperature as seawater does.
    temperature_c
        Of the liquid.

    Raises
    ------
    ValueError
        It is none of these.
    """
    if name in KCL_MS_CM:
        return float(np.interp(temperature_c, KCL_TEMPERATURES_C, KCL_MS_CM[name]))
    if name.endswith("mS/cm"):
        at_25 = float(name.removesuffix("mS/cm"))
        return at_25 * conductivity_ms_cm(35.0, temperature_c) / conductivity_ms_cm(35.0, 25.0)
    salinity = float(name)
    if not 2.0 <= salinity <= 42.0:
        msg = f"practical salinity {salinity:g} is outside the scale, 2 to 42"
        raise ValueError(msg)
    return conductivity_ms_cm(salinity, temperature_c)
