"""A damped Gauss-Newton iteration for the default method, with priors as further observations."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from saltern.chemistry.endpoint.reading_model import Evaluated, Readings, covariance, evaluated
from saltern.chemistry.quantities import FloatArray

MOST_STEPS = 40
MOST_RENEWALS, NEAR, MOVED, STALE = 6, 0.3, 0.1, 0.005
"""The weights are renewed when a step has become near and the parameters have moved since they were computed, or when
they are stale at the end; all in units of the longest step, and at most so often. Then they are held, so that the cost
has one minimum."""

LONGEST_STEP = np.array([2e-3, 30.0, 0.05, 2e-3, 2.0])
SLOPE_BETWEEN = (0.7, 1.2)
CONVERGED_MOL_KG, CONVERGED_STEP = 1e-10, 1e-3
"""The alkalinity would move by less than 0.0001 umol/kg, and everything by less than this part of its longest step."""


@dataclass(frozen=True)
class Priors:
    """Means and weights (1 / standard deviation; 0 unknown) of the parameters, and which are free; shapes (5,)."""

    mean: FloatArray
    weight: FloatArray
    free: FloatArray  # 1.0 free, 0.0 held at the mean


@dataclass(frozen=True)
class Solution:
    """Where the iteration ended, and what holds there."""

    readings: Readings
    priors: Priors
    theta: FloatArray
    at: Evaluated

    @cached_property
    def covariance(self) -> FloatArray:
        """Of y, (n, n)."""
        return covariance(self.readings, self.theta, self.at.dy_de)

    @cached_property
    def whitening(self) -> FloatArray:
        """W, with W covariance W' = 1."""
        return np.asarray(np.linalg.inv(np.linalg.cholesky(self.covariance)))

    @cached_property
    def white_residual(self) -> FloatArray:
        return np.asarray(self.whitening @ self.at.residual)

    @cached_property
    def white_jacobian(self) -> FloatArray:
        return np.asarray(self.whitening @ (self.at.jacobian * self.priors.free))

    @cached_property
    def normal(self) -> FloatArray:
        """Information of readings and priors, (5, 5); 1 on the diagonal of what is held."""
        j, priors = self.white_jacobian, self.priors
        return np.asarray(j.T @ j + np.diag(priors.weight**2) + np.diag(1.0 - priors.free))

    @cached_property
    def parameter_covariance(self) -> FloatArray:
        """(5, 5); zero for what is held."""
        return np.asarray(np.linalg.inv(self.normal) * np.outer(self.priors.free, self.priors.free))


def solve(p: Readings, priors: Priors, start: FloatArray) -> Solution:
    """Minimise the whitened squares of the residuals plus those of the priors.

    A step is taken only if it lowers the cost under the weights it was computed with, and each is bounded, so the
    iteration cannot run away.

    Raises
    ------
    numpy.linalg.LinAlgError
        The readings and priors together leave a parameter undetermined.
    """
    beside = np.diag(priors.weight**2 + 1.0 - priors.free)
    theta = np.where(priors.free > 0.0, start, priors.mean)
    now = evaluated(p, theta)
    weights = _weights(p, theta, now)
    off = priors.weight * (theta - priors.mean)
    damping, moved, renewals = 0.0, 0.0, 0
    for _ in range(MOST_STEPS):
        j = now.jacobian * priors.free
        weighted = j.T @ weights
        normal = weighted @ j + beside
        gradient = weighted @ now.residual + priors.weight * off
        cost = now.residual @ weights @ now.residual + off @ off
        while True:
            damped = normal if damping == 0.0 else normal + damping * np.diag(np.diag(normal))
            step = np.linalg.solve(damped, -gradient)
            size = float(np.abs(step / LONGEST_STEP).max())
            if abs(step[0]) < CONVERGED_MOL_KG and size < CONVERGED_STEP:
                if moved < STALE or renewals == MOST_RENEWALS:
                    return Solution(p, priors, theta, now)
                trial, tried, moved = theta, now, MOVED  # only the weights are renewed
                off = priors.weight * (theta - priors.mean)
                break
            trial = theta + step / max(1.0, size)
            trial[2] = min(max(trial[2], SLOPE_BETWEEN[0]), SLOPE_BETWEEN[1])
            tried, off = evaluated(p, trial), priors.weight * (trial - priors.mean)
            tried_cost = tried.residual @ weights @ tried.residual + off @ off
            if tried_cost <= cost * (1.0 + 1e-9) + 1e-12 or damping > 1e8:
                break
            damping = max(10.0 * damping, 1e-3)
        theta, now = trial, tried
        damping = 0.0 if damping < 1e-3 else damping / 10.0
        moved += size
        if size < NEAR and moved >= MOVED and renewals < MOST_RENEWALS:
            weights, moved, renewals = _weights(p, theta, now), 0.0, renewals + 1
    return Solution(p, priors, theta, now)


def _weights(p: Readings, theta: FloatArray, now: Evaluated) -> FloatArray:
    return np.asarray(np.linalg.inv(covariance(p, theta, now.dy_de)))
