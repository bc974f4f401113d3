"""The titrant as a liquid: how heavy it is, and how strong by mass."""

from saltern.chemistry.seawater import density_kg_l

HCL_KG_L_PER_MOL_L = 0.0181
"""Rise of density with hydrochloric acid, kg/L per mol/L: 0.99886 kg/L for 0.1 mol/kg HCl against
0.99705 for water at 25 degC (evaluated densities of aqueous HCl; the slope is the same within 2 % to 0.5 mol/kg)."""

BACKGROUND_SALINITY = {"water": 0.0, "nacl": 35.0}
"""Practical salinity of about the titrant's own ionic strength: about 0.7 mol/kg NaCl is that of seawater of S 35."""


def titrant_density_kg_l(mol_per_l: float, background: str, temperature_c: float) -> float:
    """Return the density of a dilute hydrochloric acid titrant, kg/L.

    The NaCl background is taken to be as dense as seawater of its ionic strength, which is right within
    0.15 %; the amount of acid does not depend on it, since volume and concentration share the litre.

    Parameters
    ----------
    mol_per_l
        Concentration of acid, mol/L.
    background
        ``"water"`` or ``"nacl"``.
    temperature_c
        Temperature, degC.
    """
    return float(density_kg_l(BACKGROUND_SALINITY[background], temperature_c)) + HCL_KG_L_PER_MOL_L * mol_per_l
