"""What a keeper makes up: a carbonate standard of known alkalinity, and the titrant. Masses and their worth."""

from dataclasses import dataclass, field

import numpy as np

from saltern.chemistry.standards import (
    BACKGROUND_MOL_KG,
    SODIUM_CHLORIDE_G_MOL,
    WATER_KG_L_PER_PERCENT_NACL,
    nacl_density_kg_l,
)
from saltern.chemistry.titrant import HCL_KG_L_PER_MOL_L
from saltern.chemistry.volumetric import WEIGHTS_KG_M3, air_density_kg_m3

SODIUM_CARBONATE_G_MOL = 105.988
"""Na2CO3, IUPAC standard atomic weights (2021)."""

SODIUM_CARBONATE_KG_L = 2.54
"""Density of the anhydrous crystal at 25 degC (CRC Handbook; from memory)."""

ROOM_C = 22.0
"""Of the room in which it is weighed: 10 K more change buoyancy by 0.003 % (air, ISO 4787)."""

ASSAY = 0.99975
ASSAY_HALF_WIDTH = 0.00025
"""A dried primary standard is 99.95 to 100 % carbonate (common grade of the label), rectangular."""

OVEN_C = 270.0
"""From here on the drying is that of the primary standard: two hours at 270 to 280 degC (common practice)."""

KITCHEN_C = 200.0
"""Below this, bicarbonate may be left (it decomposes from about 100 to 200 degC; common knowledge, not measured)."""

KITCHEN_HALF_WIDTH = 0.001
"""What a kitchen oven may leave unsaid of the carbonate: water and bicarbonate together (assumed), rectangular."""

NACL_ALKALI_PERCENT = 0.0005
"""Alkali that analytical-grade NaCl may hold, as Na2CO3 (assumed): nothing, or as much. A blank measures it."""

STRONGEST_STOCK_MOL_L = 2.0
"""About 7 % hydrochloric acid. Stronger acid fumes, and does not belong in a household."""

CAUTIONS = (
    "Wear goggles and gloves. Work with fresh air, children and animals away. Read the acid's safety data sheet first: "
    "it and your local rules come before this page.",
    "Water first, then the acid into it, slowly; never the other way round.",
    "Acid and bleach give chlorine gas: keep them apart, bottles and drains alike.",
    "Use a laboratory bottle, never a drink's bottle. Label it: hydrochloric acid, its strength, the day, your name.",
    "A splash on skin or in an eye: rinse with running water at once, for 15 minutes, and get help.",
)


@dataclass(frozen=True)
class Scale:
    """A balance: the step that it shows, and the most that it takes, g."""

    step_g: float
    most_g: float

    def shown(self, mass_g: float) -> float:
        return round(mass_g / self.step_g) * self.step_g


@dataclass(frozen=True)
class CarbonateRecipe:
    """How to make a standard of known alkalinity with two scales.

    `budget_umol_kg` holds the standard uncertainty of each source, `u_umol_kg` their sum in squares (k = 1).
    """

    stock_carbonate_g: float
    stock_nacl_g: float
    stock_g: float
    take_stock_g: float
    nacl_g: float
    final_g: float
    alkalinity_umol_kg: float
    u_umol_kg: float
    drying: str
    budget_umol_kg: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class TitrantRecipe:
    """How to make a bottle of titrant out of a dilute acid of stated strength."""

    mol_per_l: float
    litres: float
    stock_mol_per_l: float
    stock_ml: float
    stock_g: float
    nacl_g: float
    final_g: float
    cautions: tuple[str, ...] = CAUTIONS


def in_vacuo(shown_g: float, density_kg_l: float) -> float:
    """Return the mass of what a balance shows so much of in air, g (OIML R 111; air by ISO 4787)."""
    air = air_density_kg_m3(ROOM_C) / 1000.0
    return shown_g * (1.0 - 1000.0 * air / WEIGHTS_KG_M3) / (1.0 - air / density_kg_l)


def carbonate_alkalinity_umol_kg(carbonate_g: float, stock_g: float, take_g: float, final_g: float) -> float:
    """Return the alkalinity of a diluted stock, umol/kg, masses in vacuo: each carbonate takes two acids."""
    return 2.0e6 * carbonate_g / SODIUM_CARBONATE_G_MOL / (stock_g / 1000.0) * take_g / final_g


def carbonate_recipe(
    alkalinity_umol_kg: float,
    final_g: float,
    fine: Scale,
    coarse: Scale,
    oven_c: float = 250.0,
    nacl_blank_umol_kg: float | None = None,
    nacl_blank_u_umol_kg: float = 1.0,
) -> CarbonateRecipe:
    """Return masses for a standard of about this alkalinity in 0.7 mol/kg NaCl.

    The carbonate and what is taken of the stock are the small masses, so the fine scale weighs them. As many grams of
    carbonate go into a kilogram of stock as grams of stock into the standard, unless the fine scale takes less.

    Parameters
    ----------
    alkalinity_umol_kg
        Wanted, umol/kg.
    final_g
        Mass of the standard, g: the determinations' samples, rinses and line, with some to spare.
    fine, coarse
        The two scales; each weighing is uncertain by a step, rectangular.
    oven_c
        What the oven reaches.
    nacl_blank_umol_kg, nacl_blank_u_umol_kg
        Alkalinity of the background alone, if it was measured, with its standard uncertainty.

    Raises
    ------
    ValueError
        The oven does not reach what drying needs, or a scale does not take what there is to weigh.
    """
    if oven_c < KITCHEN_C:
        msg = f"an oven of {oven_c:g} degC does not dry carbonate: it takes {KITCHEN_C:g} degC at least"
        raise ValueError(msg)
    stock_g = 1000.0
    if coarse.most_g < max(stock_g, final_g):
        msg = f"the coarse scale takes {coarse.most_g:g} g, and {max(stock_g, final_g):g} g are to be weighed"
        raise ValueError(msg)
    even_g = float(np.sqrt(final_g * alkalinity_umol_kg * 1e-6 / 2.0 * SODIUM_CARBONATE_G_MOL))
    carbonate_g = fine.shown(max(even_g, even_g**2 / (0.9 * fine.most_g)))
    strength_umol_kg = carbonate_alkalinity_umol_kg(carbonate_g, stock_g, 1.0, 1.0)
    take_g = fine.shown(final_g * alkalinity_umol_kg / strength_umol_kg)

    solution_kg_l = nacl_density_kg_l(ROOM_C)
    carbonate = carbonate_alkalinity_umol_kg(
        ASSAY * in_vacuo(carbonate_g, SODIUM_CARBONATE_KG_L), in_vacuo(stock_g, solution_kg_l), take_g, final_g
    )
    nacl_share = BACKGROUND_MOL_KG * SODIUM_CHLORIDE_G_MOL / 1000.0
    most_alkali = 2.0e9 * nacl_share * NACL_ALKALI_PERCENT / 100.0 / SODIUM_CARBONATE_G_MOL
    blank, blank_u = 0.5 * most_alkali, most_alkali / np.sqrt(12.0)
    if nacl_blank_umol_kg is not None:
        blank, blank_u = nacl_blank_umol_kg, nacl_blank_u_umol_kg
    half_width = ASSAY_HALF_WIDTH if oven_c >= OVEN_C else KITCHEN_HALF_WIDTH
    root_3 = float(np.sqrt(3.0))
    budget = {
        "weighing the carbonate": carbonate * fine.step_g / carbonate_g / root_3,
        "weighing the stock": carbonate * coarse.step_g / stock_g / root_3,
        "weighing what is taken": carbonate * fine.step_g / take_g / root_3,
        "weighing the standard": carbonate * coarse.step_g / final_g / root_3,
        "assay and drying": carbonate * half_width / root_3,
        "alkali of the NaCl": float(blank_u),
    }
    return CarbonateRecipe(
        stock_carbonate_g=carbonate_g,
        stock_nacl_g=nacl_share * stock_g,
        stock_g=stock_g,
        take_stock_g=take_g,
        nacl_g=nacl_share * (final_g - take_g),
        final_g=final_g,
        alkalinity_umol_kg=carbonate + float(blank),
        u_umol_kg=float(np.sqrt(sum(u**2 for u in budget.values()))),
        drying=_drying(oven_c),
        budget_umol_kg=budget,
    )


def titrant_recipe(mol_per_l: float, litres: float, stock_mol_per_l: float, background: str) -> TitrantRecipe:
    """Return masses for a bottle of titrant.

    What comes of it is known to some percent; a standardisation says how strong it is. The background makes it as
    salty as seawater, so that a titration leaves the ionic strength alone (Dickson, Sabine & Christian 2007, SOP 3).

    Parameters
    ----------
    mol_per_l, litres
        Of the titrant.
    stock_mol_per_l
        Of the acid that it is made from, as its label says.
    background
        ``"water"`` or ``"nacl"``.

    Raises
    ------
    ValueError
        The stock is too strong for a household, or weaker than the titrant.
    """
    if stock_mol_per_l > STRONGEST_STOCK_MOL_L:
        msg = f"{stock_mol_per_l:g} mol/L acid fumes: buy it as a solution of at most {STRONGEST_STOCK_MOL_L:g} mol/L"
        raise ValueError(msg)
    if stock_mol_per_l <= mol_per_l:
        msg = f"{stock_mol_per_l:g} mol/L acid cannot be diluted to {mol_per_l:g} mol/L"
        raise ValueError(msg)
    stock_ml = 1000.0 * litres * mol_per_l / stock_mol_per_l
    stock_kg_l = nacl_density_kg_l(ROOM_C, 0.0) + HCL_KG_L_PER_MOL_L * stock_mol_per_l
    salt_mol_kg = max(0.0, BACKGROUND_MOL_KG - mol_per_l) if background == "nacl" else 0.0
    percent = salt_mol_kg * SODIUM_CHLORIDE_G_MOL / 10.0
    final_kg_l = nacl_density_kg_l(ROOM_C, 0.0) + WATER_KG_L_PER_PERCENT_NACL * percent + HCL_KG_L_PER_MOL_L * mol_per_l
    final_g = 1000.0 * litres * final_kg_l
    return TitrantRecipe(
        mol_per_l=mol_per_l,
        litres=litres,
        stock_mol_per_l=stock_mol_per_l,
        stock_ml=stock_ml,
        stock_g=stock_ml * stock_kg_l,
        nacl_g=percent / 100.0 * final_g,
        final_g=final_g,
    )


def _drying(oven_c: float) -> str:
    hours = 2 if oven_c >= OVEN_C else 4
    return (
        f"Dry the carbonate for {hours} hours at {min(oven_c, 280.0):.0f} degC in glass or porcelain, and let it cool "
        "in a closed jar with dry silica gel: what it drew from air weighs and does not titrate. If its label differs, "
        "follow the label. Nothing that was used for it goes back to food."
    )
