"""The water's own chemistry where it differs from what is published, or has what natural seawater lacks.

Constants may be off by what their authors state, the tank's salt may have other borate and fluoride, and phosphate,
silicate and an organic base take protons too. Bases above pK 4.5 count into alkalinity whole, those below not at all:
Dickson 1981, Deep-Sea Res. 28A, 609.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from math import exp

from saltern.chemistry.equilibria import constants
from saltern_drivers.twin.protons import LN10, Medium, carbon_for, medium, ph_free, unbalanced_charge

ZERO_LEVEL_PK = 4.5
PLAIN = {
    "borate_ratio": 1.0, "fluoride_ratio": 1.0, "phosphate_umol_kg": 0.0, "silicate_umol_kg": 0.0,
    "organic_umol_kg": 0.0, "kf_perez_fraga": 0.0,
    "pk1_error": 0.0, "pk2_error": 0.0, "pkb_error": 0.0, "pkw_error": 0.0, "pks_error": 0.0,
}  # fmt: skip
"""Truths of the water, as they are in natural seawater by the published constants."""


@dataclass(frozen=True, slots=True)
class Bases:
    """Constants of what takes protons beside natural seawater's own: free scale, mol/kg."""

    kp1: float
    kp2: float
    kp3: float
    ksi: float


@dataclass
class Nature:
    """The chemistry of a world. Salinities are practical."""

    truth: Mapping[str, float]
    tank_salinity: float = 35.0  # at which contents of the tank's water are stated
    _bases: dict[tuple[float, float], Bases] = field(default_factory=dict)

    def __post_init__(self) -> None:
        t = self.truth
        self.plain = all(t[name] == value for name, value in PLAIN.items())
        self._phosphate, self._silicate = 1e-6 * t["phosphate_umol_kg"], 1e-6 * t["silicate_umol_kg"]
        self._organic, self._k_organic = 1e-6 * t["organic_umol_kg"], 10.0 ** -t["organic_pk"]
        self._counts = t["organic_pk"] > ZERO_LEVEL_PK
        self._more = self._phosphate + self._silicate + self._organic > 0.0

    def medium(self, ionic: float, temperature_c: float, *, sodium_chloride: bool, own_share: float) -> Medium:
        """Return the medium of a mixture.

        Parameters
        ----------
        ionic
            Ionic strength, as salinity.
        temperature_c
            Its temperature.
        sodium_chloride
            Whether it has no natural salt to speak of.
        own_share
            Share of its natural salt that is the tank's.
        """
        m = medium(ionic, temperature_c, sodium_chloride=sodium_chloride)
        if self.plain:
            return m
        t = self.truth
        kf = m.kf
        if t["kf_perez_fraga"] >= 0.5:
            kf = perez_fraga(ionic, temperature_c) / (1.0 + m.sulfate * ionic / m.ks)
        return replace(
            m,
            k1=m.k1 * 10.0 ** -t["pk1_error"],
            k2=m.k2 * 10.0 ** -t["pk2_error"],
            kb=m.kb * 10.0 ** -t["pkb_error"],
            kw=m.kw * 10.0 ** -t["pkw_error"],
            ks=m.ks * 10.0 ** -t["pks_error"],
            kf=kf,
            borate=m.borate * (1.0 + (t["borate_ratio"] - 1.0) * own_share),
            fluoride=m.fluoride * (1.0 + (t["fluoride_ratio"] - 1.0) * own_share),
        )

    def bases(self, ionic: float, temperature_c: float) -> Bases:
        key = (round(ionic, 1), round(temperature_c, 1))
        if key not in self._bases:
            k = constants(max(key[0], 1.0), key[1])
            self._bases[key] = Bases(float(k.kp1), float(k.kp2), float(k.kp3), float(k.ksi))
        return self._bases[key]

    def taken(self, h: float, own_salinity: float, k: Bases) -> float:
        """Return the alkalinity, mol/kg, of phosphate, silicate and the organic base at this [H], mol/kg."""
        share = own_salinity / self.tank_salinity
        p12, p123 = k.kp1 * k.kp2, k.kp1 * k.kp2 * k.kp3
        phosphate = (p12 * h + 2.0 * p123 - h**3) / (h**3 + k.kp1 * h * h + p12 * h + p123)
        silicate = k.ksi / (k.ksi + h)
        organic = (self._k_organic if self._counts else -h) / (self._k_organic + h)
        found: float = self._phosphate * phosphate + self._silicate * silicate + self._organic * organic
        return share * found

    def ph_free(
        self,
        alkalinity: float,
        carbon: float,
        natural: float,
        own: float,
        m: Medium,
        k: Bases,
        guess: float,
    ) -> float:
        """Return free pH at which charges balance.

        Parameters
        ----------
        alkalinity, carbon
            mol/kg of the mixture.
        natural, own
            Salinity of the natural salt in it, and of that part that is the tank's.
        m, k
            The medium, and the constants of what it has beside.
        guess
            Where to look first. Secants from there, kept within a bracket that halves when they are slow.
        """
        if not self._more or own <= 0.0:
            return ph_free(alkalinity, carbon, natural, m, guess)

        def excess(ph: float) -> float:
            h = exp(-LN10 * ph)
            return unbalanced_charge(h, m, natural, carbon) + self.taken(h, own, k) - alkalinity

        low, high, ph = -1.0, 15.0, guess
        before, f_before = guess + 0.01, excess(guess + 0.01)
        for turn in range(200):
            f = excess(ph)
            if abs(f) < 1e-13 or high - low < 1e-9:
                break
            low, high = (ph, high) if f < 0.0 else (low, ph)
            step = -f * (ph - before) / (f - f_before) if f != f_before else 0.0
            before, f_before = ph, f
            halves = turn % 4 == 3  # secants may creep up to the root from one side
            ph = ph + step if low < ph + step < high and step and not halves else 0.5 * (low + high)
        return ph

    def carbon_for(self, ph: float, alkalinity: float, salinity: float, m: Medium, temperature_c: float) -> float:
        """Return the inorganic carbon, mol/kg, of tank water of this free pH and alkalinity."""
        if not self._more:
            return carbon_for(ph, alkalinity, salinity, m)
        taken = self.taken(exp(-LN10 * ph), salinity, self.bases(salinity, temperature_c))
        return carbon_for(ph, alkalinity - taken, salinity, m)


def perez_fraga(salinity: float, temperature_c: float) -> float:
    """Return KF of Perez & Fraga 1987, Mar. Chem. 21, 161, total scale, mol/kg (S 10-40, 9-33 degC)."""
    return exp(874.0 / (temperature_c + 273.15) - 9.68 + 0.111 * max(0.0, salinity) ** 0.5)
