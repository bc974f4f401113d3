"""The titration as the service runs it, on the twin in virtual time: how accurate, how soon, how little titrant.

Production drivers, bench and procedures; the twin's errors limited to those that the bound contains (noise, resolution,
lag, drift, offset and slope of the electrode, scatter of doses). The bound is that of a dense curve of 65 readings to
pH 3.0 of the same sample (made_curves.cramer_rao, which shares nothing with plan or evaluation). Both classes run the
same random numbers.
"""

import sys
from concurrent.futures import ProcessPoolExecutor

import numpy as np

from saltern.chemistry.endpoint.curve import Estimate
from saltern.chemistry.equilibria import constants
from saltern.chemistry.seawater import density_kg_l, totals
from saltern.chemistry.titration import alkalinity_without_carbon, bicarbonate_share, solve_h
from saltern.model.verdict import Verdict
from saltern.procedures.determination import Expectation
from tests.benchmarks.made_curves import CLASSES, Water, acid_for, cramer_rao, electrodes
from tests.twin_bench import TwinBench

RUNS = 2000
ALKALINITY, SALINITY, TEMPERATURE_C, SAMPLE_ML, TITRANT_MOL_L = 2500.0, 35.0, 25.0, 100.0, 0.1
PH_TOTAL = 8.05
EXPECTED_WITHIN = 0.02
BENCHES = {"good": "bench-simulated.toml", "hobby": "bench-simulated-hobby.toml"}
FREE_OF = (
    "titrant_gain",
    "titrant_strength",
    "sample_gain",
    "sample_repeatability",
    "conductivity",
    "conductivity_noise",
    "temperature_k",
    "residue_ml",
    "junction_mv",
)
DENSE = np.linspace(6.85, 3.0, 65)


def one(job):
    """Titrate once; return error (umol/kg), stated u, readings, minutes, titrant (mL), and whether accepted."""
    klass, seed = job
    random = np.random.default_rng(seed)
    errors = dict.fromkeys(FREE_OF, 0.0)
    twin = TwinBench(
        true={"titrant.concentration_mol_per_l": TITRANT_MOL_L, "titre.u_percent": 1e-6},
        bench=BENCHES[klass],
        seed=seed,
        tank={
            "alkalinity_umol_kg": ALKALINITY,
            "salinity": SALINITY,
            "temperature_c": TEMPERATURE_C,
            "ph_total": PH_TOTAL,
            "consumption_dkh_per_day": 0.0,
            "dosed_dkh_per_day": 0.0,
        },
        twin={"instruments": klass, "calibrated": True, **errors},
    )
    stated = ALKALINITY * (1.0 + random.normal(0.0, EXPECTED_WITHIN))
    d = twin.determine(Expectation(alkalinity_umol_kg=Estimate(stated, 0.25 * stated)))
    if d.end_point is None or d.curve is None:
        return klass, seed, None
    error = d.end_point.alkalinity_umol_kg - twin.play.tank_alkalinity(d.ph_read_s)
    minutes = float(d.curve.time_s[-1] - d.curve.time_s[0]) / 60.0
    density = float(d.curve.titrant_g[-1] / d.titrant_ml) if d.titrant_ml else 1.0
    return (
        klass,
        seed,
        (
            error,
            d.end_point.u_umol_kg,
            len(d.curve.emf_mv),
            minutes,
            float(d.curve.titrant_g[-1]) / density,
            d.alkalinity.verdict is Verdict.ACCEPTED,
        ),
    )


def dense_bound(klass):
    """Return the bound of a dense curve of the base case, and its titrant, mL: mean over electrodes."""
    n = 60
    random = np.random.default_rng(1)
    k, t = constants(SALINITY, TEMPERATURE_C), totals(SALINITY)
    z = 1.0 + t.sulfate / float(k.ks)
    h0 = 10.0**-PH_TOTAL / z
    carbon = (ALKALINITY * 1e-6 - float(alkalinity_without_carbon(h0, k, t))) / float(bicarbonate_share(h0, k))
    full = np.ones(n)
    density = float(density_kg_l(SALINITY, TEMPERATURE_C))
    water = Water(
        SALINITY * full,
        TEMPERATURE_C * full,
        ALKALINITY * 1e-6 * full,
        carbon * full,
        SAMPLE_ML * density * full,
        TITRANT_MOL_L / density * full,
        SALINITY * full,
        0.05 / 60.0 * full,
    )
    instruments = CLASSES[klass]
    grams = acid_for(water, DENSE, random, spread=0.0) * (water.sample_g / water.strength)[:, None]
    dose_sd = instruments.walk_ml * np.sqrt(np.diff(grams, prepend=0.0, axis=1))
    wires = electrodes(random, n, instruments)
    bound = cramer_rao(water, grams, dose_sd, wires, instruments, 20.0, instruments.offset_mv, instruments.slope)
    h_end = float(solve_h((ALKALINITY * 1e-6 - grams[0, -1] * water.strength[0] / water.sample_g[0]), carbon, k, t))
    assert h_end > 10**-3.3
    return float(np.mean(bound)), float(grams[0, -1]) / density


def main(runs=RUNS):
    """Print the table."""
    half = runs // 2
    jobs = [(klass, 1000 + seed) for klass in CLASSES for seed in range(half)]
    with ProcessPoolExecutor() as pool:
        done = list(pool.map(one, jobs, chunksize=10))
    print(f"{2 * half} runs; base case: {ALKALINITY:.0f} umol/kg, {SAMPLE_ML:.0f} mL, {TITRANT_MOL_L} mol/L")
    print("class  bound  RMSE (95 % limit)  ratio  bias    coverage  readings max  minutes 95 %  max  titrant  failed")
    for klass in CLASSES:
        bound, dense_ml = dense_bound(klass)
        rows = np.array([row for k, _, row in done if k == klass and row is not None], dtype=float)
        failed = sum(1 for k, _, row in done if k == klass and row is None)
        rmse = float(np.sqrt(np.mean(rows[:, 0] ** 2)))
        limit = rmse * (1.0 + 1.645 / np.sqrt(2.0 * len(rows)))
        error, u, readings, minutes, titrant_ml, accepted = rows.T
        covered = 100 * np.mean(np.abs(error) < 2 * u)
        late = np.quantile(minutes, 0.95)
        print(
            f"{klass:6s} {bound:5.2f}  {rmse:5.2f} ({limit:5.2f})     {rmse / bound:6.3f}  {np.mean(error):+5.2f}  "
            f"{covered:6.1f} %  {np.mean(readings):5.1f}  {np.max(readings):3.0f}  "
            f"{np.mean(minutes):7.2f} {late:5.2f} {np.max(minutes):5.2f}  "
            f"{100 * (1 - np.mean(titrant_ml) / dense_ml):4.0f} % less  {failed}; "
            f"accepted {100 * np.mean(accepted):.1f} %"
        )


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
