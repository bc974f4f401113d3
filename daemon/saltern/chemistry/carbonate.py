"""The carbonate system of a tank, from the alkalinity and the pH of a sample: carbon, carbon dioxide, aragonite.

The sample's pH was read at the sample's temperature; carbon does not change with temperature, pH does. So dissolved
inorganic carbon is found at the sample's temperature, and everything else from it at the tank's.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from math import exp, isfinite, log10, sqrt

from saltern.chemistry import equilibria
from saltern.chemistry.endpoint.curve import Estimate
from saltern.chemistry.seawater import totals
from saltern.errors import CurveError

CALCIUM_G_MOL = 40.078
"""IUPAC standard atomic weight (2021), abridged."""

CALCIUM_MOL_KG_PER_CHLORINITY = 0.02128 / 40.087
"""Calcium of natural seawater: Riley & Tongudai 1967, Chem. Geol. 2, 263, with the atomic weight of its time."""

CALCIUM_U_RELATIVE = 0.10
"""Of calcium that is only guessed from salinity: tanks are kept between 380 and 460 mg/L (common practice)."""

BORATE_U_RELATIVE = 0.30
"""Of total borate that nobody has measured: salt mixes differ by so much."""

PH_U = 0.04
"""Of an electrode that no tris buffer has checked; 0.02 of one that has been."""

PK_U = {"k0": 0.002, "k1": 0.0075, "k2": 0.015, "kb": 0.01, "kw": 0.01, "aragonite": 0.02}
"""Standard uncertainties of pK: Orr, Epitalon, Dickson & Gattuso 2018, Mar. Chem. 207, 84 (from memory)."""

STANDARD_BAR = 1.01325
GAS_CONSTANT_CM3_BAR = 83.14462618  # cm3 bar/(mol K), CODATA 2018
CLOSE_ENOUGH_PH = 1e-9
PH_RANGE = (2.0, 12.0)


@dataclass(frozen=True)
class Sample:
    """What a determination and a keeper know of one water.

    Parameters
    ----------
    alkalinity_umol_kg, ph_total, salinity
        With standard uncertainties. pH is on the total scale at `sample_c`.
    sample_c, tank_c
        Temperatures of the sample when its pH was read, and of the tank, degC.
    calcium_mg_l
        The keeper's own test, if it is fresh enough; by salinity otherwise.
    density_kg_l
        Of the tank's water: what turns mg/L into mol/kg.
    borate_u_relative
        Standard uncertainty of total borate over that of natural seawater.
    phosphate_umol_kg
        Total phosphate, if known.
    """

    alkalinity_umol_kg: Estimate
    ph_total: Estimate
    salinity: Estimate
    sample_c: float
    tank_c: float
    density_kg_l: float = 1.0234
    calcium_mg_l: Estimate | None = None
    borate_u_relative: float = BORATE_U_RELATIVE
    phosphate_umol_kg: float = 0.0


@dataclass(frozen=True)
class CarbonateSystem:
    """What follows from it, at the tank's temperature; each with its standard uncertainty."""

    carbon_umol_kg: Estimate
    pco2_uatm: Estimate
    aragonite_saturation: Estimate
    ph_total: Estimate
    carbonate_umol_kg: Estimate


@dataclass(frozen=True)
class _Inputs:
    """Every number that the answer rests on, one field for each source of doubt."""

    alkalinity_umol_kg: float
    ph_total: float
    salinity: float
    calcium_ratio: float = 1.0
    borate_ratio: float = 1.0
    pk_off: Mapping[str, float] = field(default_factory=dict)

    def pk(self, name: str) -> float:
        return self.pk_off.get(name, 0.0)


def carbonate_system(sample: Sample) -> CarbonateSystem:
    """Return the carbonate system of the water that a sample was drawn from.

    Uncertainty is carried by finite differences, one source at a time (JCGM 100:2008, 5.1.3); sources are independent.

    Raises
    ------
    CurveError
        No carbon is left beside borate and hydroxide: alkalinity and pH do not belong to one seawater.
    """
    inputs = _Inputs(sample.alkalinity_umol_kg.value, sample.ph_total.value, sample.salinity.value)
    answer = _solved(sample, inputs)
    calcium_u = CALCIUM_U_RELATIVE if sample.calcium_mg_l is None else sample.calcium_mg_l.u / sample.calcium_mg_l.value
    doubts = [
        replace(inputs, alkalinity_umol_kg=inputs.alkalinity_umol_kg + sample.alkalinity_umol_kg.u),
        replace(inputs, ph_total=inputs.ph_total + sample.ph_total.u),
        replace(inputs, salinity=inputs.salinity + sample.salinity.u),
        replace(inputs, calcium_ratio=1.0 + calcium_u),
        replace(inputs, borate_ratio=1.0 + sample.borate_u_relative),
        *(replace(inputs, pk_off={name: u}) for name, u in PK_U.items()),
    ]
    moved = [_solved(sample, doubt) for doubt in doubts]
    u = [sqrt(sum((other[k] - answer[k]) ** 2 for other in moved)) for k in range(len(answer))]
    return CarbonateSystem(*(Estimate(value, spread) for value, spread in zip(answer, u, strict=True)))


def ph_total(alkalinity_umol_kg: float, carbon_umol_kg: float, salinity: float, temperature_c: float) -> float:
    """Return the pH, total scale, of a seawater of known alkalinity and dissolved inorganic carbon."""
    nothing = Estimate(0.0, 0.0)
    sample = Sample(nothing, nothing, nothing, temperature_c, temperature_c)
    water = _Water(sample, _Inputs(alkalinity_umol_kg, 0.0, salinity), temperature_c)
    return water.ph_total(water.balanced(alkalinity_umol_kg * 1e-6, carbon_umol_kg * 1e-6))


def aragonite_solubility(salinity: float, temperature_c: float) -> float:
    """Return the stoichiometric solubility product of aragonite, mol2/kg2, at one atmosphere.

    Mucci 1983, Am. J. Sci. 283, 780 (S 5-44, 5-40 degC).
    """
    t, s = temperature_c + 273.15, salinity
    log_k = (
        -171.945
        - 0.077993 * t
        + 2903.293 / t
        + 71.595 * log10(t)
        + (-0.068393 + 0.0017276 * t + 88.135 / t) * sqrt(s)
        - 0.10018 * s
        + 0.0059415 * s**1.5
    )
    return float(10.0**log_k)


def calcium_mol_kg(salinity: float) -> float:
    """Return the calcium of natural seawater of this salinity, mol/kg of solution."""
    return float(CALCIUM_MOL_KG_PER_CHLORINITY * salinity / 1.80655)


def fugacity_over_pressure(temperature_c: float) -> float:
    """Return fCO2 / pCO2 in air of one atmosphere: Weiss 1974, Mar. Chem. 2, 203."""
    t = temperature_c + 273.15
    virial = -1636.75 + 12.0408 * t - 3.27957e-2 * t**2 + 3.16528e-5 * t**3  # cm3/mol
    cross = 57.7 - 0.118 * t
    return exp((virial + 2.0 * cross) * STANDARD_BAR / (GAS_CONSTANT_CM3_BAR * t))


def _solved(sample: Sample, inputs: _Inputs) -> tuple[float, float, float, float, float]:
    """Return the values of `CarbonateSystem` in its order."""
    at_sample = _Water(sample, inputs, sample.sample_c)
    h = at_sample.free(inputs.ph_total)
    carbon = at_sample.carbon_of(inputs.alkalinity_umol_kg * 1e-6, h)
    if not isfinite(carbon) or carbon <= 0.0:
        alkalinity, ph = inputs.alkalinity_umol_kg, inputs.ph_total
        raise CurveError(
            f"an alkalinity of {alkalinity:.0f} umol/kg and a pH of {ph:.2f} leave no carbon",
            where="the carbonate system",
            remedy="Check the sample's pH and the pH probe's calibration",
        )
    at_tank = _Water(sample, inputs, sample.tank_c)
    h = at_tank.balanced(inputs.alkalinity_umol_kg * 1e-6, carbon)
    below = h**2 + at_tank.k1 * h + at_tank.k1 * at_tank.k2
    dissolved, carbonate = carbon * h**2 / below, carbon * at_tank.k1 * at_tank.k2 / below
    pco2 = dissolved / at_tank.k0 / fugacity_over_pressure(sample.tank_c)
    saturation = at_tank.calcium * carbonate / at_tank.aragonite
    return carbon * 1e6, pco2 * 1e6, saturation, at_tank.ph_total(h), carbonate * 1e6


class _Water:
    """The acids of one water at one temperature, with the doubts of `inputs` in them."""

    def __init__(self, sample: Sample, inputs: _Inputs, temperature_c: float) -> None:
        s = inputs.salinity
        known = equilibria.constants(s, temperature_c)
        water = totals(s, borate_ratio=inputs.borate_ratio, phosphate_umol_kg=sample.phosphate_umol_kg)
        self.k0 = float(known.k0) * 10.0 ** -inputs.pk("k0")
        self.k1 = float(known.k1) * 10.0 ** -inputs.pk("k1")
        self.k2 = float(known.k2) * 10.0 ** -inputs.pk("k2")
        self.kb = float(known.kb) * 10.0 ** -inputs.pk("kb")
        self.kw = float(known.kw) * 10.0 ** -inputs.pk("kw")
        self.ks, self.kf = float(known.ks), float(known.kf)
        self.kp = (float(known.kp1), float(known.kp2), float(known.kp3))
        self.borate, self.sulfate = float(water.borate), float(water.sulfate)
        self.fluoride, self.phosphate = float(water.fluoride), float(water.phosphate)
        self.total_over_free = float(equilibria.total_over_free(s, temperature_c))
        self.aragonite = aragonite_solubility(s, temperature_c) * 10.0 ** -inputs.pk("aragonite")
        tested = sample.calcium_mg_l
        natural = calcium_mol_kg(s) if tested is None else tested.value / CALCIUM_G_MOL / 1000.0 / sample.density_kg_l
        self.calcium = natural * inputs.calcium_ratio

    def free(self, ph_total: float) -> float:
        return float(10.0**-ph_total / self.total_over_free)

    def ph_total(self, h: float) -> float:
        return -log10(h * self.total_over_free)

    def beside_carbon(self, h: float) -> float:
        """Return the alkalinity of everything but carbonate and bicarbonate (Dickson 1981, Deep-Sea Res. 28A, 609)."""
        kp1, kp2, kp3 = self.kp
        below = h**3 + kp1 * h**2 + kp1 * kp2 * h + kp1 * kp2 * kp3
        beside = (
            self.borate / (1.0 + h / self.kb)
            + self.kw / h
            + self.phosphate * (kp1 * kp2 * h + 2.0 * kp1 * kp2 * kp3 - h**3) / below
            - h
            - self.sulfate / (1.0 + self.ks / h)
            - self.fluoride / (1.0 + self.kf / h)
        )
        return float(beside)

    def carbon_of(self, alkalinity: float, h: float) -> float:
        of_carbon = alkalinity - self.beside_carbon(h)
        share = (h**2 + self.k1 * h + self.k1 * self.k2) / (self.k1 * h + 2.0 * self.k1 * self.k2)
        return float(of_carbon * share)

    def balanced(self, alkalinity: float, carbon: float) -> float:
        """Return the free hydrogen ion at which the charges balance, by bisection: the balance falls as pH falls."""
        low, high = PH_RANGE
        while high - low > CLOSE_ENOUGH_PH:
            ph = 0.5 * (low + high)
            h = self.free(ph)
            below = h**2 + self.k1 * h + self.k1 * self.k2
            has = carbon * (self.k1 * h + 2.0 * self.k1 * self.k2) / below + self.beside_carbon(h)
            low, high = (ph, high) if has < alkalinity else (low, ph)
        return self.free(0.5 * (low + high))
