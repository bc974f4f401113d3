"""Does the curve bear its own answer? Statistics of the residuals, each with a limit from its false-alarm rate.

All are computed from the curve alone, for the least-squares solution, with residuals whitened by the stated
covariance. A wrong *scale* of the whole curve (sample volume, titrant strength, a bubble before the first reading used)
leaves its shape unchanged: no statistic here can see it.
"""

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from saltern.chemistry.endpoint.curve import Finding
from saltern.chemistry.endpoint.gauss_newton import Solution
from saltern.chemistry.endpoint.reading_model import ph_free
from saltern.chemistry.quantities import FloatArray

FALSE_ALARM = 0.001
"""Of each statistic, by determination. Four of them alarm together at most so many times four."""

STRETCHED = 0.05

HIGH_WINDOW_PH_FREE, LOW_WINDOW_PH_FREE = 4.7, 5.3
LEAST_IN_WINDOW = 3
LEAST_SEEN = 1e-6
"""A disturbance of which the fit absorbs all but this share cannot be seen."""


@dataclass(frozen=True)
class Ratio:
    """A likelihood ratio test for one disturbance: its size in standard deviations, and estimated, in mol/kg."""

    standardised: float
    size: float
    index: int


def findings(solution: Solution, degrees_of_freedom: float, titrant_g_per_mol_kg: float) -> tuple[Finding, ...]:
    """Return every statistic with its limit; those above it flag the result.

    Parameters
    ----------
    solution
        The fit.
    degrees_of_freedom
        Readings less what they determine.
    titrant_g_per_mol_kg
        Mass of titrant that adds one mol of acid to a kilogram of sample, g.
    """
    if degrees_of_freedom < 1.0:
        return ()
    n = len(solution.at.residual)
    chi_square = float(solution.white_residual @ solution.white_residual)
    outlier = _largest(solution, np.diag(solution.at.dy_de))
    steps = np.tril(np.ones((n, n)))[:, 1:]  # column j: dose j + 1 and all after it
    step = _largest(solution, steps)
    found = [
        Finding(
            "poor-fit",
            chi_square / degrees_of_freedom,
            _chi_square_limit(degrees_of_freedom, FALSE_ALARM) / degrees_of_freedom,
            "reduced chi-square",
        ),
        Finding(
            "outlying-reading",
            abs(outlier.standardised),
            _normal_limit(n),
            f"reading {outlier.index + 1} of those used, {outlier.size:+.2f} mV",
        ),
        Finding(
            "volume-step",
            abs(step.standardised),
            _normal_limit(n - 1),
            f"{-step.size * titrant_g_per_mol_kg:+.3f} g of titrant before reading {step.index + 2} of those used",
        ),
    ]
    windows = _windows_differ(solution)
    if windows is not None:
        found.append(
            Finding("windows-differ", abs(windows.standardised), _normal_limit(1), f"{windows.size * 1e6:+.1f} umol/kg")
        )
    return tuple(found)


def stretch(solution: Solution, degrees_of_freedom: float, *, flagged: bool) -> float:
    """Return the factor by which uncertainties grow where the scatter is larger than stated (Birge ratio).

    Birge 1932, Phys. Rev. 40, 207. It counts where a statistic flags the curve, and where so much scatter comes by
    chance in one curve of twenty: long before it is an alarm, it is no reason to claim the stated noise.
    """
    dof = max(1.0, degrees_of_freedom)
    chi_square = float(solution.white_residual @ solution.white_residual)
    if not flagged and chi_square <= _chi_square_limit(dof, STRETCHED):
        return 1.0
    return float(np.sqrt(max(1.0, chi_square / dof)))


def likelihood_ratios(solution: Solution, signatures: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return, for each column, its size in standard deviations and its estimate.

    A column is what a unit disturbance adds to y. What the fit would absorb into its parameters, priors included, is
    projected off, so that the standardised size is standard normal where there is no disturbance.
    """
    white = solution.whitening @ signatures
    absorbed = white.T @ solution.white_jacobian
    seen = np.sum(white**2, axis=0) - np.sum(absorbed * np.linalg.solve(solution.normal, absorbed.T).T, axis=1)
    visible = seen > LEAST_SEEN * np.sum(white**2, axis=0)
    seen = np.where(visible, seen, np.inf)
    shown = white.T @ solution.white_residual
    return np.asarray(shown / np.sqrt(seen)), np.asarray(shown / seen)


def _largest(solution: Solution, signatures: FloatArray) -> Ratio:
    standardised, sizes = likelihood_ratios(solution, signatures)
    worst = int(np.argmax(np.abs(standardised)))
    return Ratio(float(standardised[worst]), float(sizes[worst]), worst)


def _windows_differ(solution: Solution) -> Ratio | None:
    """Compare the alkalinity that readings above pH 4.7 give with that of readings below 5.3, one model for both.

    Organic bases with a pK between make them differ, and so do wrong constants. Both are linear estimates from the
    same residuals and priors, so the variance of their difference is known, their overlap included.
    """
    p, theta = solution.readings, solution.theta
    ph = ph_free(p, theta)
    high, low = ph > HIGH_WINDOW_PH_FREE, ph < LOW_WINDOW_PH_FREE
    if high.sum() < LEAST_IN_WINDOW or low.sum() < LEAST_IN_WINDOW:
        return None
    by_reading, by_prior = np.zeros(len(ph)), np.zeros(len(theta))
    for rows, sign in ((high, 1.0), (low, -1.0)):
        j = solution.at.jacobian[rows] * solution.priors.free
        weighted = np.linalg.solve(solution.covariance[np.ix_(rows, rows)], j).T
        prior = solution.priors.weight**2
        normal = weighted @ j + np.diag(prior + 1.0 - solution.priors.free)
        row = np.linalg.solve(normal, np.eye(len(theta))[0])  # of the inverse, for the alkalinity
        by_reading[rows] -= sign * (row @ weighted)
        by_prior -= sign * row * prior
    off = theta - solution.priors.mean
    known = solution.priors.weight > 0.0
    difference = float(by_reading @ solution.at.residual + by_prior[known] @ off[known])
    variance = float(by_reading @ solution.covariance @ by_reading)
    variance += float(np.sum((by_prior[known] / solution.priors.weight[known]) ** 2))
    return Ratio(difference / float(np.sqrt(variance)), difference, 0) if variance > 0.0 else None


def _normal_limit(tries: int) -> float:
    """Two-sided limit of the largest of `tries` standard normals (Bonferroni)."""
    return NormalDist().inv_cdf(1.0 - FALSE_ALARM / (2.0 * tries))


def _chi_square_limit(dof: float, false_alarm: float) -> float:
    """Quantile of chi-square after Wilson & Hilferty 1931, PNAS 17, 684."""
    third = 2.0 / (9.0 * dof)
    return dof * (1.0 - third + NormalDist().inv_cdf(1.0 - false_alarm) * float(np.sqrt(third))) ** 3
