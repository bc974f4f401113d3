"""The reef tank: corals take alkalinity, the keeper doses it, the bench takes samples.

A top-up system replaces with fresh water whatever leaves, so sampling takes salt and alkalinity with it.
"""

from dataclasses import dataclass, field
from math import exp, pi, sin

from saltern_drivers.twin.density import seawater_g_ml
from saltern_drivers.twin.liquid import Liquid
from saltern_drivers.twin.nature import Nature
from saltern_drivers.twin.protons import LN10, Medium, carbon_for, carbonic_share, medium, ph_free
from saltern_drivers.twin.reef_life import DAY_S, STEP_S, Account, Given, Wander, umol_kg_per_dkh
from saltern_drivers.twin.tank_carbon import Carbon, begun

TOTAL_TO_FREE = 0.107
"""pH on the free scale over pH on the total scale, at a salinity of 35."""


@dataclass
class Tank:
    """A closed volume of seawater."""

    alkalinity_umol_kg: float = 2450.0
    salinity: float = 35.0
    temperature_c: float = 25.5
    consumption_dkh_per_day: float = 0.8
    dosed_dkh_per_day: float = 0.8
    mass_g: float = 410_000.0
    ph_total: float = 8.1  # the day's mean where it begins; from then on it follows from alkalinity and carbon
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
    _carbon: Carbon | None = None  # computed when it is first asked for
    _ph_free: float = 8.1  # where the last one was

    def advance(self, to_s: float) -> None:
        """Let time pass, in steps of ten minutes and less: corals take, most at noon, and the doser gives."""
        carbon = self.carbon  # as it was before time passes
        while self.at_s < to_s:
            step = int(self.at_s // STEP_S)
            if self.wander is not None and step != self._step:
                self._off_mean, self._step = self.wander.next(), step
            end_s = (step + 1) * STEP_S
            self._pass(min(to_s, end_s), carbon)
            if self.at_s == end_s:
                self._meet_the_air(STEP_S / DAY_S)
                if end_s % DAY_S == 0.0:
                    self.account.close_day()

    def _pass(self, to_s: float, carbon: Carbon) -> None:
        rate = max(0.0, self.consumption_dkh_per_day + self._off_mean)
        taken = rate * (_corals(to_s, self.swing) - _corals(self.at_s, self.swing))
        days = (to_s - self.at_s) / DAY_S
        given = self.dosed_dkh_per_day * self.given.on(int(self.at_s // DAY_S)) * days
        per_dkh = self._umol_kg_per_dkh()
        before = self.alkalinity_umol_kg
        self.alkalinity_umol_kg += (given - taken) * per_dkh
        carbon.with_alkalinity((given - taken) * per_dkh)
        carbon.pass_time(self.at_s / DAY_S, to_s / DAY_S)
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
        self.carbon.with_alkalinity(given * self._umol_kg_per_dkh())
        self.alkalinity_umol_kg += given * self._umol_kg_per_dkh()
        self.account.add(given=given)

    def change_water(self, part: float, alkalinity_umol_kg: float, salinity: float) -> None:
        """Replace a part of the water by water that has stood in the room."""
        new = Tank(alkalinity_umol_kg, salinity, self.temperature_c, ph_total=self.ph_total, nature=self.nature)
        self.carbon.umol_kg += part * (new.carbon_umol_kg() - self.carbon.umol_kg)
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
        self.carbon.umol_kg *= kept
        return water

    def put_back(self, water: Liquid) -> None:
        """Return some water, for example the end of the sample line's content."""
        share = water.mass_g / self.mass_g
        if water.mass_g > 0.0:
            self.carbon.umol_kg += share * water.carbon / water.mass_g
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

    @property
    def carbon(self) -> Carbon:
        """Its inorganic carbon; begun at the pH that is given, in the course of a day like all days before."""
        if self._carbon is None:
            ph = self.ph_total + TOTAL_TO_FREE
            mean = self._carbon_at(ph)
            self._carbon = begun(self.at_s / DAY_S, mean, lambda carbon: self._co2_of(carbon, ph))
        return self._carbon

    def carbon_umol_kg(self) -> float:
        """Return the inorganic carbon: least in the afternoon, most before dawn."""
        if self.natural_share == 0.0:  # a carbonate standard, in balance with the air of the day it was made
            return 0.97 * self.alkalinity_umol_kg
        return self.carbon.umol_kg

    def _meet_the_air(self, days: float) -> None:
        alkalinity, carbon, m = self.alkalinity_umol_kg * 1e-6, self.carbon.umol_kg * 1e-6, self._medium()
        if self.nature is None:
            self._ph_free = ph_free(alkalinity, carbon, self.salinity, m, self._ph_free)
        else:
            bases = self.nature.bases(self.salinity, self.temperature_c)
            own = self.salinity
            self._ph_free = self.nature.ph_free(alkalinity, carbon, own, own, m, bases, self._ph_free)
        self.carbon.breathe(days, self._co2_of(self.carbon.umol_kg, self._ph_free))

    def _carbon_at(self, ph: float) -> float:
        alkalinity, m = self.alkalinity_umol_kg * 1e-6, self._medium()
        if self.nature is None:
            return 1e6 * carbon_for(ph, alkalinity, self.salinity, m)
        return 1e6 * self.nature.carbon_for(ph, alkalinity, self.salinity, m, self.temperature_c)

    def _co2_of(self, carbon_umol_kg: float, ph: float) -> float:
        return carbon_umol_kg * carbonic_share(exp(-LN10 * ph), self._medium())

    def _medium(self) -> Medium:
        key = round(self.salinity, 1)
        if key not in self._media:
            if self.nature is None:
                self._media[key] = medium(key, self.temperature_c)
            else:
                self._media[key] = self.nature.medium(key, self.temperature_c, sodium_chloride=False, own_share=1.0)
        return self._media[key]


def _corals(at_s: float, swing: float) -> float:
    """Return the integral of the corals' relative rate since midnight of day 0, in days."""
    days = at_s / DAY_S
    return days - swing * sin(2.0 * pi * days) / (2.0 * pi)
