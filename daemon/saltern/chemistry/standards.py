"""Standards that a keeper makes up or buys: sodium carbonate for alkalinity, solutions for conductivity."""

from dataclasses import dataclass

import numpy as np

from saltern.chemistry.seawater import conductivity_ms_cm, density_kg_l

SODIUM_CARBONATE_G_MOL = 105.988
"""Na2CO3, IUPAC standard atomic weights (2021)."""

SODIUM_CHLORIDE_G_MOL = 58.443
BACKGROUND_MOL_KG = 0.7
"""NaCl that gives a carbonate standard the ionic strength of seawater (Dickson, Sabine & Christian 2007, SOP 3)."""

NACL_IONIC_SALINITY = 35.0
"""Practical salinity of about that ionic strength: what `Medium.NACL` wants to know of it."""

DRYING = (
    "Dry the carbonate at 270 to 280 degC for two hours and let it cool in a desiccator: what it drew from air weighs "
    "and does not titrate."
)
"""Common practice for the primary standard; follow the label's own where it differs."""

SODIUM_CHLORIDE = (
    "NaCl of analytical grade, without additives: 0.02 % of magnesium carbonate, which keeps table salt dry, would add "
    "194 umol/kg (calculated). "
    "Measure the blank of yours once: saltern blank"
)

AIR_G_ML, WEIGHTS_G_ML, CARBONATE_G_ML, STOCK_G_ML = 0.0012, 8.0, 2.54, 1.027
"""Of air and of a scale's weights, conventional (OIML D 28); of solid Na2CO3 and of 4 % NaCl, handbook (memory)."""

CARBONATE_PURITY_U = 0.0005
"""Of a dried analytical-grade carbonate (99.95 % at least, rectangular: common practice)."""

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


@dataclass(frozen=True)
class CarbonateRecipe:
    """How to make a standard of known alkalinity with a scale that shows `scale_g`."""

    stock_carbonate_g: float
    stock_nacl_g: float
    stock_g: float
    take_stock_g: float
    nacl_g: float
    final_g: float
    alkalinity_umol_kg: float
    u_umol_kg: float
    drying: str = DRYING
    sodium_chloride: str = SODIUM_CHLORIDE


def carbonate_alkalinity_umol_kg(carbonate_g: float, stock_g: float, take_g: float, final_g: float) -> float:
    """Return the alkalinity of a diluted stock, umol/kg, by true masses: each carbonate takes two acids."""
    return 2.0e6 * carbonate_g / SODIUM_CARBONATE_G_MOL / (stock_g / 1000.0) * take_g / final_g


def as_shown() -> float:
    """Return what a stock is stronger by where its masses are those that a scale shows in air.

    Air lifts a solution by more than a solid of the same shown mass. Left out, it would be 0.07 %.
    """
    return _in_vacuo(CARBONATE_G_ML) / _in_vacuo(STOCK_G_ML)


def _in_vacuo(density_g_ml: float) -> float:
    """Return the mass of what a scale shows as one (air's buoyancy on it, and on the scale's weights)."""
    return (1.0 - AIR_G_ML / WEIGHTS_G_ML) / (1.0 - AIR_G_ML / density_g_ml)


def carbonate_recipe(alkalinity_umol_kg: float, final_g: float, scale_g: float = 0.01) -> CarbonateRecipe:
    """Return masses for a standard of about this alkalinity in 0.7 mol/kg NaCl.

    As many grams of carbonate go into a kilogram of stock as grams of stock into the standard: so the smallest two
    masses weighed are as large as they can be, and count as many steps of the scale.

    Parameters
    ----------
    alkalinity_umol_kg
        Wanted, umol/kg.
    final_g
        Mass of the standard, g: the determinations' samples, rinses and line, with some to spare.
    scale_g
        Step of the scale; each weighing is uncertain by that much, rectangular.
    """
    stock_g = 1000.0
    even_g = float(np.sqrt(final_g * alkalinity_umol_kg * 1e-6 / 2.0 * SODIUM_CARBONATE_G_MOL))
    carbonate_g = round(even_g / scale_g) * scale_g
    strength_umol_kg = carbonate_alkalinity_umol_kg(carbonate_g, stock_g, 1.0, 1.0)
    take_g = round(final_g * alkalinity_umol_kg / strength_umol_kg / scale_g) * scale_g
    nacl_share = BACKGROUND_MOL_KG * SODIUM_CHLORIDE_G_MOL / 1000.0
    made = as_shown() * carbonate_alkalinity_umol_kg(carbonate_g, stock_g, take_g, final_g)
    weighed = np.array([carbonate_g, stock_g, take_g, final_g])
    u = made * float(np.sqrt(np.sum((scale_g / weighed) ** 2) / 3.0 + CARBONATE_PURITY_U**2))
    return CarbonateRecipe(
        stock_carbonate_g=carbonate_g,
        stock_nacl_g=nacl_share * stock_g,
        stock_g=stock_g,
        take_stock_g=take_g,
        nacl_g=nacl_share * (final_g - take_g),
        final_g=final_g,
        alkalinity_umol_kg=made,
        u_umol_kg=u,
    )


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
