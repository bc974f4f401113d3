"""One fit of 40 readings against scipy.optimize.least_squares on the same problem, in one run.

The peer minimises the same weighted residuals with the covariance frozen at the answer, from the same start; once by
finite differences, once with the same Jacobian.
"""

import time

import numpy as np

from saltern.chemistry.electrode import nernst_slope_mv
from saltern.chemistry.endpoint import least_squares as method
from saltern.chemistry.endpoint.curve import Conditions, Curve, Estimate, Priors
from saltern.chemistry.equilibria import constants
from saltern.chemistry.seawater import totals
from saltern.chemistry.titration import solve_h

REPEATS = 30


def problem():
    """Return a dense curve of 40 readings, and what is known of it."""
    random = np.random.default_rng(4)
    acid = np.linspace(0.55, 1.25, 40) * 2400e-6
    k, t = constants(35.0, 25.0), totals(35.0)
    grams = acid * 100.0 / 0.05
    d = 100.0 / (100.0 + grams)
    ph = -np.log10(solve_h((2400e-6 - acid) * d, 2000e-6, k, t, d))
    emf = 400.0 - nernst_slope_mv(25.0) * ph + random.normal(0.0, 0.1, 40)
    curve = Curve(grams, emf, np.full(40, 25.0), 20.0 * np.arange(40.0), np.full(40, 0.1), np.full(40, 0.0005))
    conditions = Conditions(100.0, 35.0, 0.05, titrant_salinity=35.0)
    return curve, conditions, Priors(Estimate(394.0, 8.0), Estimate(1.0, 0.01), 0.1)


def best_time(action):
    times = []
    for _ in range(REPEATS):
        begun = time.perf_counter()
        action()
        times.append(time.perf_counter() - begun)
    return float(np.median(times))


def main():
    """Print times as ratios."""
    from scipy.optimize import least_squares as peer

    curve, conditions, priors = problem()
    k, water = constants(35.0, curve.temperature_c), totals(35.0)
    z = 1.0 + water.sulfate / np.mean(k.ks)
    start = method._start(curve, conditions, priors, k, water, z)
    p = method._problem(curve, conditions, priors, k, water, method._window(curve, start), start, z)
    answer = method._solve(p, start)
    _, _, dy_de = method._model(p, answer)
    inverse = np.linalg.inv(method._whiten(p, answer, dy_de))
    scale = np.array([1e-3, 1.0, 1e-2, 1e-3, 1.0])

    def residuals(x):
        r, _, _ = method._model(p, x * scale)
        return np.concatenate([inverse @ r, p.prior_weight * (x * scale - p.prior)])

    def jacobian(x):
        _, j, _ = method._model(p, x * scale)
        return np.vstack([inverse @ j, np.diag(p.prior_weight)]) * scale

    def by_differences():
        return peer(residuals, start / scale, xtol=1e-12, ftol=1e-12, gtol=1e-12)

    def by_jacobian():
        return peer(residuals, start / scale, jac=jacobian, xtol=1e-12, ftol=1e-12, gtol=1e-12)

    ours = best_time(lambda: method._solve(p, start))
    print(f"ours: {1e3 * ours:.2f} ms for the solve")
    for name, action in (("scipy without a Jacobian", by_differences), ("scipy with the same Jacobian", by_jacobian)):
        apart = abs(action().x[0] * scale[0] - answer[0]) * 1e6
        print(f"{name}: {best_time(action) / ours:.1f} times as long, {apart:.5f} umol/kg apart")


if __name__ == "__main__":
    main()
