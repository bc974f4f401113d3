"""The reef tank: corals take alkalinity, the keeper doses it, the bench takes samples.

A top-up system replaces with fresh water whatever leaves, so sampling takes salt and alkalinity with it.
"""

from dataclasses import dataclass, field
from math import cos, pi, sin

from saltern_drivers.twin.density import seawater_g_ml
from saltern_drivers.twin.liquid import Liquid
from saltern_drivers.twin.nature import Nature
from saltern_drivers.twin.protons import Medium, carbon_for, medium

DAY_S = 86400.0
UMOL_KG_PER_DKH = 348.9
"""At salinity 35 and 20 degC: 10 mg/L CaO in 1.0248 kg/L (M(CaO) 56.0774 g/mol)."""


@dataclass
class Tank:
    """A closed volume of seawater."""

    alkalinity_umol_kg: float = 2450.0
    salinity: float = 35.0
    temperature_c: float = 25.5
    consumption_dkh_per_day: float = 0.8
    dosed_dkh_per_day: float = 0.8
    mass_g: float = 410_000.0
    ph_total: float = 8.1
    natural_share: float = 1.0  # 0: no natural salt, but NaCl of the same ionic strength
    heavier: float = 1.0  # than seawater of that salinity: another salt
    nature: Nature | None = None  # of its water, where it is not natural seawater by published constants
    at_s: float = 0.0
    _media: dict[float, Medium] = field(default_factory=dict)

    def advance(self, to_s: float) -> None:
        """Let time pass: corals take three times as much at noon as at midnight, dosing is even over the day."""
        taken = self.consumption_dkh_per_day * (_corals(to_s) - _corals(self.at_s))
        dosed = self.dosed_dkh_per_day * (to_s - self.at_s) / DAY_S
        self.alkalinity_umol_kg += (dosed - taken) * UMOL_KG_PER_DKH
        self.at_s = to_s

    def density_g_ml(self) -> float:
        """Return what a millilitre of it weighs as it comes."""
        return self.heavier * seawater_g_ml(self.salinity, self.temperature_c)

    def draw(self, mass_g: float) -> Liquid:
        """Take some water; what is taken is replaced by fresh water."""
        water = self.water(mass_g)
        kept = 1.0 - mass_g / self.mass_g
        self.salinity *= kept
        self.alkalinity_umol_kg *= kept
        return water

    def put_back(self, water: Liquid) -> None:
        """Return some water, for example the end of the sample line's content."""
        share = water.mass_g / self.mass_g
        if water.mass_g > 0.0:
            self.salinity += share * water.natural / water.mass_g
            self.alkalinity_umol_kg += share * water.alkalinity / water.mass_g

    def water(self, mass_g: float) -> Liquid:
        carbon = self.carbon_umol_kg()
        return Liquid(
            mass_g,
            mass_g * self.salinity * self.natural_share,
            mass_g * self.salinity,
            mass_g * self.alkalinity_umol_kg,
            mass_g * carbon,
            0.0 if self.nature is None else mass_g * self.salinity * self.natural_share,
        )

    def carbon_umol_kg(self) -> float:
        """Return the inorganic carbon at the pH of the hour: highest in the afternoon, lowest before dawn."""
        if self.natural_share == 0.0:  # a carbonate standard, in balance with the air of the day it was made
            return 0.97 * self.alkalinity_umol_kg
        key = round(self.salinity, 1)
        if key not in self._media:
            if self.nature is None:
                self._media[key] = medium(key, self.temperature_c)
            else:
                self._media[key] = self.nature.medium(key, self.temperature_c, sodium_chloride=False, own_share=1.0)
        m = self._media[key]
        ph = self.ph_total + 0.12 * sin(2.0 * pi * (self.at_s / DAY_S - 0.375))
        ph_free = ph + 0.107  # total to free at S 35; the tank's pH itself is given, not computed
        if self.nature is None:
            return 1e6 * carbon_for(ph_free, self.alkalinity_umol_kg * 1e-6, self.salinity, m)
        carbon = self.nature.carbon_for(ph_free, self.alkalinity_umol_kg * 1e-6, self.salinity, m, self.temperature_c)
        return 1e6 * carbon


def _corals(at_s: float) -> float:
    """Return the integral of the corals' relative rate since midnight of day 0, in days."""
    days = at_s / DAY_S
    return days - 0.5 * sin(2.0 * pi * days) / (2.0 * pi)


def relative_rate(at_s: float) -> float:
    """Return the corals' rate over its daily mean."""
    return 1.0 - 0.5 * cos(2.0 * pi * at_s / DAY_S)
