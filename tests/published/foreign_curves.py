"""Titration curves made by foreign engines, and what our methods find in them.

PyCO2SYS (Humphreys et al. 2022, Geosci. Model Dev. 15, 15) solves the seawater carbonate system with published
stoichiometric constants; PHREEQC (Parkhurst & Appelo 2013, USGS TM 6-A43) computes with activities, here from two
of its databases. Neither knows anything of ours. `python -m tests.published.foreign_curves` prints the table.
"""

import warnings
from dataclasses import dataclass

import numpy as np

from saltern.chemistry.electrode import nernst_slope_mv
from saltern.chemistry.endpoint.curve import Co2, Conditions, Curve, Priors
from saltern.chemistry.endpoint.methods import NAMES
from saltern.chemistry.endpoint.methods import method as method_named
from saltern.errors import CurveError

SAMPLE_G = 100.0
PCO2_UATM = 450.0
E0_MV = 380.0
FRACTIONS = np.concatenate([[0.0, 0.2, 0.4, 0.5], np.linspace(0.6, 0.9, 7), np.linspace(0.92, 1.30, 20)])


@dataclass(frozen=True)
class Case:
    """One curve and its truth."""

    engine: str
    alkalinity_umol_kg: float
    carbon_umol_kg: float
    salinity: float
    temperature_c: float
    co2: str  # "closed", or "equilibrated" with air at every reading; "degassed": the same, and the method is told
    acid: str  # "nacl" or "water"
    mol_per_kg: float = 0.1

    def acid_g(self):
        return FRACTIONS * self.alkalinity_umol_kg * 1e-6 * SAMPLE_G / self.mol_per_kg

    def conditions(self):
        return Conditions(
            sample_g=SAMPLE_G,
            salinity=self.salinity,
            titrant_mol_per_kg=self.mol_per_kg,
            titrant_salinity=self.salinity if self.acid == "nacl" else 0.0,
            co2={"closed": Co2.CLOSED, "equilibrated": Co2.OPEN, "degassed": Co2.PURGED}[self.co2],
        )


def cases(engine):
    """The corners and the middle of alkalinity, temperature and salinity, closed and open, both acids."""
    grid = [(1800, 1600), (2350, 2080), (3600, 3200)]
    return [
        Case(engine, a, c, s, t, co2, acid)
        for a, c in grid
        for s, t in ((30.0, 20.0), (35.0, 25.0), (38.0, 28.0))
        for co2 in ("closed", "equilibrated", "degassed")
        for acid in ("nacl", "water")
    ]


def pyco2sys_curve(case):
    """Return the curve that PyCO2SYS makes: Lueker, Dickson, Dickson & Riley, Uppstrom; free scale."""
    return pyco2sys_curves([case])[0]


def pyco2sys_curves(several):
    """Return one of each case, from one call: a call costs it far more than a row."""
    import PyCO2SYS

    rows = np.concatenate([_pyco2sys_rows(case) for case in several], axis=1)
    alkalinity, par2, par2_type, salinity, temperature_c, chlorinity = rows
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        out = PyCO2SYS.sys(
            par1=alkalinity,
            par1_type=1,
            par2=par2,
            par2_type=par2_type,
            salinity=salinity,
            temperature=temperature_c,
            opt_k_carbonic=10,
            opt_k_bisulfate=1,
            opt_k_fluoride=1,
            opt_total_borate=1,
            opt_pH_scale=3,
            total_borate=chlorinity * 0.000232 / 10.811 * 1e6,
            total_sulfate=chlorinity * 0.14 / 96.062 * 1e6,
            total_fluoride=chlorinity * 0.000067 / 18.998 * 1e6,
        )
    each = np.split(out["pH_free"], np.cumsum([len(case.acid_g()) for case in several])[:-1])
    return [_curve(case, case.acid_g(), ph) for case, ph in zip(several, each, strict=True)]


def _pyco2sys_rows(case):
    """Return alkalinity, second parameter, its type, salinity, temperature and chlorinity of each point."""
    acid_g = case.acid_g()
    d = SAMPLE_G / (SAMPLE_G + acid_g)
    closed = case.co2 == "closed"
    return np.stack([
        (case.alkalinity_umol_kg - acid_g * case.mol_per_kg / SAMPLE_G * 1e6) * d,
        case.carbon_umol_kg * d if closed else np.full_like(d, PCO2_UATM),
        np.full_like(d, 2 if closed else 4),
        case.salinity * (d if case.acid == "water" else np.ones_like(d)),
        np.full_like(d, case.temperature_c),
        case.salinity / 1.80655 * d,
    ])  # fmt: skip


SEAWATER_MMOL = {"NaCl": 416.0, "MgCl2": 54.6, "CaCl2": 10.6, "Na2SO4": 29.26, "KCl": 10.5}
"""Salts of seawater of S 35 by kilogram of water (Reference Composition, Millero et al. 2008, rounded)."""


def phreeqc_curve(case, database):
    """Return the curve that PHREEQC makes. Alkalinity is known from what was put in: NaHCO3 and Na2CO3.

    The electrode reads minus the logarithm of the activity of hydrogen ions.
    """
    from phreeqpython import PhreeqPython

    engine = PhreeqPython(database=database)
    scale = case.salinity / 35.0
    water_share = 1.0 - 1.005e-3 * case.salinity  # kg of water in a kg of seawater
    carbonate = case.alkalinity_umol_kg - case.carbon_umol_kg
    per_kg_water = {
        **{salt: mmol * scale for salt, mmol in SEAWATER_MMOL.items()},
        "H3BO3": 0.4157 * scale / 0.9648,
        "NaHCO3": (case.carbon_umol_kg - carbonate) / 1000.0 / water_share,
        "Na2CO3": carbonate / 1000.0 / water_share,
    }
    if database == "phreeqc.dat":
        per_kg_water["NaF"] = 0.0683 * scale / 0.9648
    solution = engine.add_solution_simple(per_kg_water, temperature=case.temperature_c)
    ph, given = [], 0.0
    acid_g = case.acid_g()
    for total_g in acid_g:
        if total_g > given:
            _add_acid(solution, case, total_g - given, water_share)
            given = total_g
        reading = solution
        if case.co2 != "closed":
            reading = solution.copy()
            reading.equalize(["CO2(g)"], [float(np.log10(PCO2_UATM * 1e-6))])
        ph.append(reading.pH)
    return _curve(case, acid_g, np.array(ph))


def _add_acid(solution, case, grams, water_share):
    """Pour titrant, `grams` for SAMPLE_G of sample, into the solution, which is one kilogram of water."""
    per_kg_water = grams / SAMPLE_G / water_share  # kg of titrant by kg of the solution's water
    solution.add("HCl", 1000.0 * per_kg_water * case.mol_per_kg)
    if case.acid == "nacl":
        solution.add("NaCl", 1000.0 * per_kg_water * 0.62 * case.salinity / 35.0)
    solution.add("H2O", 1000.0 * per_kg_water * (0.962 if case.acid == "nacl" else 0.996) / 18.0153 * 1000.0)


def _curve(case, acid_g, ph):
    emf_mv = E0_MV - nernst_slope_mv(case.temperature_c) * ph
    return Curve(acid_g, emf_mv, np.full(len(acid_g), case.temperature_c))


def deviation(case, curve, method="least-squares"):
    """Return found minus true alkalinity, umol/kg, or None where the method refuses."""
    try:
        found = method_named(method).find(curve, case.conditions(), Priors())
    except CurveError:
        return None
    return found.alkalinity_umol_kg - case.alkalinity_umol_kg


def engines():
    return {
        "PyCO2SYS": pyco2sys_curve,
        "PHREEQC phreeqc.dat": lambda case: phreeqc_curve(case, "phreeqc.dat"),
        "PHREEQC pitzer.dat": lambda case: phreeqc_curve(case, "pitzer.dat"),
    }


def main():
    """Print found minus true alkalinity for every case and method."""
    names = list(NAMES)
    print("engine".ljust(21), "A_T   S   T  CO2          acid ", *(name.rjust(19) for name in names))
    worst = {}
    for engine, make in engines().items():
        for case in cases(engine):
            curve = make(case)
            found = [deviation(case, curve, name) for name in names]
            cells = ["       refused" if f is None else f"{f:+.2f}" for f in found]
            print(
                engine.ljust(21),
                f"{case.alkalinity_umol_kg:4.0f} {case.salinity:.0f} {case.temperature_c:.0f}  {case.co2:12s} "
                f"{case.acid:5s}",
                *(cell.rjust(19) for cell in cells),
            )
            key = (engine, case.co2)
            worst[key] = max(worst.get(key, 0.0), abs(found[0]) if found[0] is not None else np.inf)
    for (engine, co2), value in worst.items():
        print(f"least-squares, {engine}, {co2}: at most {value:.2f} umol/kg off")


if __name__ == "__main__":
    main()
