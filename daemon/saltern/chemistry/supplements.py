"""What raises alkalinity, and by how much: stoichiometry of the usual salts, and what they do beside it.

Molar masses from IUPAC standard atomic weights (2021, abridged): Na 22.990, H 1.008, C 12.011, O 15.999, Ca 40.078.
"""

from dataclasses import dataclass
from enum import StrEnum

from saltern.chemistry.carbonate import CALCIUM_G_MOL, ph_total
from saltern.chemistry.units import MEQ_L_PER_DKH, dkh_to_umol_kg

SODIUM_G_MOL = 22.990
MOST_RISE_DKH_PER_DAY = 1.0
"""Of a correction: common practice. A keeper may set less, and never more than the ceiling."""

CEILING_DKH_PER_DAY = 1.5


class Salt(StrEnum):
    BICARBONATE = "sodium-bicarbonate"
    CARBONATE = "sodium-carbonate"
    HYDROXIDE = "sodium-hydroxide"
    OWN = "own-stock"


@dataclass(frozen=True)
class Stoichiometry:
    """Of one mole: mass, equivalents of alkalinity, and moles of carbon that it brings."""

    g_mol: float
    equivalents: float
    carbon: float


STOICHIOMETRY = {
    Salt.BICARBONATE: Stoichiometry(84.006, 1.0, 1.0),
    Salt.CARBONATE: Stoichiometry(105.988, 2.0, 1.0),
    Salt.HYDROXIDE: Stoichiometry(39.997, 1.0, 0.0),
}

CAUTIONS = {
    Salt.BICARBONATE: "Dissolve it fully. Dose where the water moves.",
    Salt.CARBONATE: "It irritates eyes. It raises pH at once: dose slowly, where the water moves.",
    Salt.HYDROXIDE: "It is caustic: wear goggles and gloves, add it to water and never water to it. Dose drop by drop.",
    Salt.OWN: "Follow the product's own data sheet.",
}
"""Usual cautions; a product's safety data sheet goes before them."""


@dataclass(frozen=True)
class Supplement:
    """A stock solution: `meq_ml` is what one mL adds, in milliequivalents."""

    name: str
    salt: Salt
    meq_ml: float


def stock(name: str, salt: Salt, g_l: float) -> Supplement:
    """Return a stock made with so many grams in a litre of solution.

    Raises
    ------
    ValueError
        The salt is the keeper's own, whose strength only its maker knows.
    """
    if salt is Salt.OWN:
        msg = "a stock of one's own needs its strength in meq/mL or dKH"
        raise ValueError(msg)
    of = STOICHIOMETRY[salt]
    return Supplement(name, salt, g_l / of.g_mol * of.equivalents)  # mol/L is mmol/mL


def dkh_of(supplement: Supplement, ml: float, volume_l: float) -> float:
    """Return by how much so many mL raise so much water."""
    return ml * supplement.meq_ml / volume_l / MEQ_L_PER_DKH


def ml_for(supplement: Supplement, dkh: float, volume_l: float) -> float:
    """Return how many mL raise so much water by so much."""
    return dkh * MEQ_L_PER_DKH * volume_l / supplement.meq_ml


def grams_for(salt: Salt, dkh: float, volume_l: float) -> float:
    """Return the mass of a dry salt that raises so much water by so much."""
    of = STOICHIOMETRY[salt]
    return dkh * MEQ_L_PER_DKH * volume_l / of.equivalents * of.g_mol / 1000.0


def ph_change(
    salt: Salt, dkh: float, alkalinity_dkh: float, carbon_umol_kg: float, salinity: float, temperature_c: float
) -> float:
    """Return by how much a dose moves pH at once, before the air has its say; 0 for a stock of unknown salts."""
    if salt is Salt.OWN:
        return 0.0
    of = STOICHIOMETRY[salt]
    before, added = dkh_to_umol_kg(alkalinity_dkh, salinity), dkh_to_umol_kg(dkh, salinity)
    after = ph_total(before + added, carbon_umol_kg + added * of.carbon / of.equivalents, salinity, temperature_c)
    return after - ph_total(before, carbon_umol_kg, salinity, temperature_c)


def sodium_mg_l(dkh: float) -> float:
    """Return the sodium that comes with a rise: one ion an equivalent, in all three salts."""
    return dkh * MEQ_L_PER_DKH * SODIUM_G_MOL


def calcium_mg_l(dkh: float) -> float:
    """Return the calcium that corals take up with so much alkalinity: CaCO3 takes one for two equivalents."""
    return dkh * MEQ_L_PER_DKH / 2.0 * CALCIUM_G_MOL
