"""How near the default method comes to the Cramer-Rao bound, and whether its stated uncertainty is true.

Curves and bounds come from `made_curves`, whose errors are those that the bound contains. The bound is that of the
readings used, with the priors that the method states. Judged by the upper 95 % limit of the RMSE.
"""

import sys
from concurrent.futures import ProcessPoolExecutor

import numpy as np

from saltern.chemistry.endpoint.least_squares import least_squares
from saltern.errors import CurveError
from tests.benchmarks.made_curves import CLASSES, LOSSES_PER_MIN, any_water, make

SEEDS, COVERAGE_SEEDS = 3000, 10_000
FULL = (6.5, 6.0, 5.5, 5.2, 4.8, 4.5, 4.3, 4.0, 3.7, 3.4)
SHORT = (6.4, 5.2, 4.5, 4.2, 3.4)
BATCH = 500


def batch(job):
    """Return error, stated u and bound of each titration of a batch, shape (n, 3), NaN where it failed."""
    klass, loss, targets, known, seed, n = job
    random = np.random.default_rng(seed)
    made = make(random, any_water(random, n, loss), CLASSES[klass], targets, known_electrode=known)
    rows = np.full((n, 3), np.nan)
    for i, (curve, conditions, priors) in enumerate(zip(made.curves, made.conditions, made.priors, strict=True)):
        try:
            found = least_squares(curve, conditions, priors)
        except CurveError:
            continue
        rows[i] = found.alkalinity_umol_kg - made.truth_umol_kg[i], found.u_umol_kg, made.bound_umol_kg[i]
    return rows


def gather(pool, klass, losses, targets, known, seeds):
    each = seeds // len(losses)
    jobs = [
        (klass, loss, targets, known, 7919 * i + start, min(BATCH, each - start))
        for i, loss in enumerate(losses)
        for start in range(0, each, BATCH)
    ]
    return np.vstack(list(pool.map(batch, jobs)))


def main(seeds=SEEDS, coverage_seeds=COVERAGE_SEEDS):
    """Print efficiency, bias and coverage by class and CO2 loss, then coverage of short and uncalibrated curves."""
    conditions = "S 30-38, 20-28 degC, 400-7000 umol/kg, 50-150 mL, 0.02-0.1 mol/L in water and NaCl"
    with ProcessPoolExecutor() as pool:
        print(f"{seeds} titrations of {len(FULL)} readings each: {conditions}")
        print("class  CO2 loss  bias   se    rms bound  RMSE   bound/RMSE  by the upper 95 % limit  failures")
        for klass in CLASSES:
            for name, loss in LOSSES_PER_MIN.items():
                _print_efficiency(klass, name, gather(pool, klass, [loss], FULL, True, seeds))
        print(f"\nTrue value within twice the stated uncertainty, {coverage_seeds} titrations each, all CO2 losses")
        print("class  curve                 electrode     bias   coverage  failures")
        for klass in CLASSES:
            for curve, targets in (("ten readings", FULL), ("five readings", SHORT)):
                for known in (True, False):
                    rows = gather(pool, klass, list(LOSSES_PER_MIN.values()), targets, known, coverage_seeds)
                    failed = np.isnan(rows[:, 0])
                    error, u, _ = rows[~failed].T
                    print(
                        f"{klass:6s} {curve:20s}  {'calibrated  ' if known else 'uncalibrated'}  "
                        f"{np.mean(error):+5.2f}  {100 * np.mean(np.abs(error) < 2 * u):6.2f} %  {failed.sum()}"
                    )


def _print_efficiency(klass, name, rows):
    failed = np.isnan(rows[:, 0])
    error, _, bound = rows[~failed].T
    # each error by its own bound, so that weak titrants and rich samples do not drown the rest
    ratio = float(np.mean((error / bound) ** 2)) ** -0.5
    upper = 1.0 + 1.645 / np.sqrt(2.0 * len(error))
    print(
        f"{klass:6s} {name:8s}  {np.mean(error):+5.2f}  {np.std(error) / np.sqrt(len(error)):4.2f}  "
        f"{np.sqrt(np.mean(bound**2)):8.2f}  {np.sqrt(np.mean(error**2)):6.2f}  {ratio:8.3f}  "
        f"{ratio / upper:18.3f}  {failed.sum():14d}"
    )


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
