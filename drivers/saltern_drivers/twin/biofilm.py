"""A biofilm in the sample line: it breathes the oxygen of the water that stands there, and carbon dioxide comes of it.

138 O2 give 106 CO2 (Redfield, Ketchum & Richards 1963, in The Sea 2, 26). The 17 acid anions that come with them,
nitrate and phosphate, take alkalinity: 0.16 of the carbon (Brewer et al. 1975, Earth Planet. Sci. Lett. 26, 81). What
nitrifies the tank's own ammonium takes more of it. The water's oxygen sets the end; what comes through the wall of the
line is left out. Both sources are cited from memory.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import exp

from saltern_drivers.twin.liquid import Liquid

OXYGEN_UMOL_KG = 206.0
"""Of seawater in balance with air, S 35, 25 degC (Garcia & Gordon 1992, Limnol. Oceanogr. 37, 1307; from memory)."""
MOST_CARBON_UMOL_KG = OXYGEN_UMOL_KG * 106.0 / 138.0


@dataclass(frozen=True)
class Biofilm:
    """What a biofilm gives.

    Parameters
    ----------
    carbon_umol_kg_per_h
        Carbon dioxide, at first.
    alkalinity_share
        Alkalinity that goes with each of it.
    """

    carbon_umol_kg_per_h: float
    alkalinity_share: float

    def carbon_umol_kg(self, stood_s: float) -> float:
        """Return the carbon that water has taken up in standing; it slows as the oxygen goes."""
        at_first = self.carbon_umol_kg_per_h * stood_s / 3600.0
        return MOST_CARBON_UMOL_KG * (1.0 - exp(-at_first / MOST_CARBON_UMOL_KG))

    def given_to(self, mass_g: float, stood_s: float) -> Liquid:
        """Return what so much water has taken up in standing: no mass to speak of, carbon, and acid."""
        carbon = mass_g * self.carbon_umol_kg(stood_s)
        return Liquid(alkalinity=-self.alkalinity_share * carbon, carbon=carbon)


def biofilm_of(truth: Mapping[str, float]) -> Biofilm | None:
    """Return the biofilm of a world's sample line; None where there is none."""
    rate = truth["biofilm_umol_kg_per_h"]
    return Biofilm(rate, truth["biofilm_alkalinity_share"]) if rate else None
