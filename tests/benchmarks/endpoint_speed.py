"""One fit of 40 and of 80 readings against scipy.optimize.least_squares on the same problem, in one run.

The peers minimise the same weighted residuals from the same start, with scipy's default tolerances; they are given the
covariance at the answer, which ours has to find. Once by finite differences, once with the same Jacobian.
"""

import time

import numpy as np

from saltern.chemistry.electrode import nernst_slope_mv
from saltern.chemistry.endpoint import least_squares as method
from saltern.chemistry.endpoint.curve import Conditions, Curve, Estimate, Priors
from saltern.chemistry.endpoint.first_guess import first_guess
from saltern.chemistry.endpoint.gauss_newton import solve
from saltern.chemistry.endpoint.least_squares import least_squares
from saltern.chemistry.endpoint.reading_model import evaluated, medium_of
from saltern.chemistry.equilibria import constants
from saltern.chemistry.seawater import totals
from saltern.chemistry.titration import solve_h

REPEATS = 30
READINGS = (40, 80)


def problem(readings):
    """Return a dense curve of so many readings, and what is known of it."""
    random = np.random.default_rng(4)
    acid = np.linspace(0.55, 1.25, readings) * 2400e-6
    k, t = constants(35.0, 25.0), totals(35.0)
    grams = acid * 100.0 / 0.05
    d = 100.0 / (100.0 + grams)
    ph = -np.log10(solve_h((2400e-6 - acid) * d, 2000e-6, k, t, d))
    emf = 400.0 - nernst_slope_mv(25.0) * ph + random.normal(0.0, 0.1, readings)
    one = np.ones(readings)
    curve = Curve(grams, emf, 25.0 * one, 20.0 * np.arange(readings), 0.1 * one, 0.0005 * one)
    conditions = Conditions(100.0, 35.0, 0.05, titrant_salinity=35.0)
    return curve, conditions, Priors(Estimate(394.0, 8.0), Estimate(1.0, 0.01), 0.1)


def median_times(*actions):
    """Return the median time of each action, s; they take turns, so that the machine's moods hit all alike."""
    times = np.empty((REPEATS, len(actions)))
    for turn in range(REPEATS):
        for i, action in enumerate(actions):
            begun = time.perf_counter()
            action()
            times[turn, i] = time.perf_counter() - begun
    return [float(t) for t in np.median(times, axis=0)]


def main():
    """Print times as ratios."""
    for readings in READINGS:
        compare(readings)


def compare(count):
    """Print times as ratios, of a curve of so many readings."""
    from scipy.optimize import least_squares as peer

    curve, conditions, priors = problem(count)
    k, water = constants(35.0, curve.temperature_c), totals(35.0)
    q = method._Question(curve, conditions, priors, k, water, 1.0 + water.sulfate / float(np.mean(k.ks)))
    guess = first_guess(curve, conditions, priors, medium_of(k, water), q.free_offset)
    start = np.array([guess[0], guess[1], 1.0, guess[2], method.LOSS_Z.value])
    readings = method._readings(q, method._window(curve, start))
    weighed = method._weighed(q, readings, start)
    answer = solve(readings, weighed, start)
    scale = np.array([1e-3, 1.0, 1e-2, 1e-3, 1.0])

    def residuals(x):
        r = evaluated(readings, x * scale).residual
        return np.concatenate([answer.whitening @ r, weighed.weight * (x * scale - weighed.mean)])

    def jacobian(x):
        j = evaluated(readings, x * scale).jacobian
        return np.vstack([answer.whitening @ j, np.diag(weighed.weight)]) * scale

    peers = {}
    for algorithm in ("trf", "lm"):
        peers[f"scipy {algorithm} without a Jacobian"] = lambda a=algorithm: peer(residuals, start / scale, method=a)
        peers[f"scipy {algorithm} with the same Jacobian"] = lambda a=algorithm: peer(
            residuals, start / scale, jac=jacobian, method=a
        )
    times = median_times(
        lambda: solve(readings, weighed, start), lambda: least_squares(curve, conditions, priors), *peers.values()
    )
    print(
        f"{len(readings.acid)} of {count} readings used; ours: the solve {1e3 * times[0]:.2f} ms, "
        f"curve to result {1e3 * times[1]:.2f} ms"
    )
    for (name, action), taken in zip(peers.items(), times[2:], strict=True):
        apart = abs(action().x[0] * scale[0] - answer.theta[0]) * 1e6
        print(f"{name}: {taken / times[0]:.1f} times as long as our solve, {apart:.5f} umol/kg apart")


if __name__ == "__main__":
    main()
