"""The reef tank: corals take alkalinity, the keeper doses it, the bench takes samples.

A top-up system replaces with fresh water whatever leaves, so sampling takes salt and alkalinity with it.
"""

from dataclasses import dataclass, field
from math import pi, sin

from saltern_drivers.twin.density import seawater_g_ml
from saltern_drivers.twin.liquid import Liquid
from saltern_drivers.twin.nature import Nature
from saltern_drivers.twin.protons import Medium, carbon_for, medium
from saltern_drivers.twin.reef_life import DAY_S, STEP_S, Account, Given, Wander, umol_kg_per_dkh


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
    swing: float = 0.5  # of what corals take: noon over the day's mean, less one
    wander: Wander | None = None  # of what they take, about its mean
    given: Given = field(default_factory=Given)
    account: Account = field(default_factory=Account)
    at_s: float = 0.0
    _off_mean: float = 0.0
    _step: int = -1
    _per_dkh: dict[float, float] = field(default_factory=dict)
    _media: dict[float, Medium] = field(default_factory=dict)

    def advance(self, to_s: float) -> None:
        """Let time pass, in steps of ten minutes and less: corals take, most at noon, and the doser gives."""
        while self.at_s < to_s:
            step = int(self.at_s // STEP_S)
            if self.wander is not None and step != self._step:
                self._off_mean, self._step = self.wander.next(), step
            end_s = (step + 1) * STEP_S
            self._pass(min(to_s, end_s))
            if self.at_s == end_s and end_s % DAY_S == 0.0:
                self.account.close_day()

    def _pass(self, to_s: float) -> None:
        rate = max(0.0, self.consumption_dkh_per_day + self._off_mean)
        taken = rate * (_corals(to_s, self.swing) - _corals(self.at_s, self.swing))
        days = (to_s - self.at_s) / DAY_S
        given = self.dosed_dkh_per_day * self.given.on(int(self.at_s // DAY_S)) * days
        per_dkh = self._umol_kg_per_dkh()
        before = self.alkalinity_umol_kg
        self.alkalinity_umol_kg += (given - taken) * per_dkh
        level_dkh = 0.5 * (before + self.alkalinity_umol_kg) / per_dkh
        self.account.add(taken=taken, given=given, level_days=level_dkh * days)
        self.at_s = to_s

    def _umol_kg_per_dkh(self) -> float:
        key = round(self.salinity, 2)
        if key not in self._per_dkh:
            self._per_dkh[key] = umol_kg_per_dkh(key)
        return self._per_dkh[key]

    def dose(self, dkh: float) -> None:
        """Take a dose by hand, in dKH as the keeper counts."""
        given = dkh * self.given.over_logged
        self.alkalinity_umol_kg += given * self._umol_kg_per_dkh()
        self.account.add(given=given)

    def change_water(self, part: float, alkalinity_umol_kg: float, salinity: float) -> None:
        """Replace a part of the water."""
        self.alkalinity_umol_kg += part * (alkalinity_umol_kg - self.alkalinity_umol_kg)
        self.salinity += part * (salinity - self.salinity)

    def density_g_ml(self) -> float:
        """Return what a millilitre of it weighs as it comes."""
        return self.heavier * seawater_g_ml(self.salinity, self.temperature_c)

    def draw(self, mass_g: float) -> Liquid:
        """Take some water; what is taken is replaced by fresh water."""
        water = self.water(mass_g)
        kept = 1.0 - mass_g / self.mass_g
        self.account.add(sampled=(1.0 - kept) * self.alkalinity_umol_kg / self._umol_kg_per_dkh())
        self.salinity *= kept
        self.alkalinity_umol_kg *= kept
        return water

    def put_back(self, water: Liquid) -> None:
        """Return some water, for example the end of the sample line's content."""
        share = water.mass_g / self.mass_g
        if water.mass_g > 0.0:
            self.salinity += share * water.natural / water.mass_g
            self.alkalinity_umol_kg += share * water.alkalinity / water.mass_g
            self.account.add(sampled=-share * water.alkalinity / water.mass_g / self._umol_kg_per_dkh())

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


def _corals(at_s: float, swing: float) -> float:
    """Return the integral of the corals' relative rate since midnight of day 0, in days."""
    days = at_s / DAY_S
    return days - swing * sin(2.0 * pi * days) / (2.0 * pi)
