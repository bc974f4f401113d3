"""Which readings inform most: the standard uncertainty that a set of readings will give, before they are taken.

For readings at given pH the information is J' S^-1 J + P with the Jacobian, covariance and priors of the default
method itself; its inverse is the variance of the alkalinity (the Cramer-Rao bound). Targets are chosen greedily and
then exchanged one by one until no exchange helps.
"""

from dataclasses import dataclass, replace

import numpy as np

from saltern.chemistry.endpoint.curve import Co2, FloatArray
from saltern.chemistry.endpoint.gauss_newton import Priors
from saltern.chemistry.endpoint.reading_model import PIVOT_H, Medium, Readings, acid_taken, covariance, evaluated

LOWEST_PH_FREE, HIGHEST_PH_FREE, GRID_PH = 3.45, 6.7, 0.1
LEAST_APART_PH = 0.2
"""Nearer readings give the model the same information twice; apart they also show whether it holds."""

SWEEPS = 2

PH_WEIGHT = 0.03
"""The sample's pH is read with the electrode that the titration fits. Readings that serve the alkalinity alone lie so
that offset and slope stay undetermined; for half a part in a hundred of its uncertainty the pH's falls to a half."""

SAMPLE_PH_FREE, PIVOT_PH = 8.2, -np.log10(PIVOT_H)


@dataclass(frozen=True)
class Belief:
    """What is known of the sample and the electrode while the titration runs."""

    theta: FloatArray  # (5,), as in reading_model
    priors: Priors
    medium: Medium  # of the undiluted sample, plain numbers
    nernst_mv: float
    equilibrium_carbon: float
    co2: Co2


@dataclass(frozen=True)
class Statistics:
    """What a bench's readings and doses are like."""

    reading_sd_mv: float
    dose_variance_per_mol_kg: float  # of the acid given, (mol/kg)^2 by mol/kg
    reading_every_s: float
    acid_mol_per_kg: float  # titrant's strength: what dilutes the sample


def alkalinity_sd(belief: Belief, statistics: Statistics, ph_free: FloatArray) -> FloatArray:
    """Return the standard deviation of the alkalinity, mol/kg, for each row of readings.

    Parameters
    ----------
    belief, statistics
        Sample, electrode and bench.
    ph_free
        (b, n) free pH of the readings, falling along each row.
    """
    return np.asarray(np.sqrt(_covariance(belief, statistics, ph_free)[:, 0, 0]))


def sample_ph_sd(belief: Belief, statistics: Statistics, ph_free: FloatArray) -> FloatArray:
    """Return the standard deviation of the sample's own pH for each row of readings: the fitted electrode's part."""
    return np.asarray(np.sqrt(_ph_variance(belief, _covariance(belief, statistics, ph_free))))


def _covariance(belief: Belief, statistics: Statistics, ph_free: FloatArray) -> FloatArray:
    """Return the covariance of the parameters, (b, 5, 5): the inverse of the information."""
    readings = _readings_at(belief, statistics, np.asarray(ph_free, dtype=float))
    there = evaluated(readings, belief.theta)
    j = there.jacobian * belief.priors.free
    weighted = np.linalg.solve(covariance(readings, belief.theta, there.dy_de), j)
    beside = np.diag(belief.priors.weight**2 + 1.0 - belief.priors.free)
    normal = np.swapaxes(j, -1, -2) @ weighted + beside
    # parameters differ in size by orders of magnitude: scale before inverting
    scale = 1.0 / np.sqrt(np.diagonal(normal, axis1=-2, axis2=-1))
    scales = scale[:, :, None] * scale[:, None, :]
    return np.asarray(np.linalg.inv(normal * scales) * scales)


def cost_of(belief: Belief, statistics: Statistics, rows: FloatArray) -> FloatArray:
    """Return what a design is to make small: the alkalinity's uncertainty, mol/kg, and a little of the pH's."""
    total = _covariance(belief, statistics, rows)
    return np.asarray(np.sqrt(total[:, 0, 0] * _ph_variance(belief, total) ** PH_WEIGHT))


def _ph_variance(belief: Belief, total: FloatArray) -> FloatArray:
    slope = belief.theta[2]
    by = np.array([1.0 / (slope * belief.nernst_mv * np.log(10.0)), -(SAMPLE_PH_FREE - PIVOT_PH) / slope])
    return np.asarray(np.einsum("i,bij,j->b", by, total[:, 1:3, 1:3], by))


def acid_at(belief: Belief, statistics: Statistics, ph_free: FloatArray) -> FloatArray:
    """Return the acid, mol/kg of sample, that brings the sample to each pH in turn; shape of `ph_free`."""
    return _readings_at(belief, statistics, np.asarray(ph_free, dtype=float)).acid


class Plans:
    """Plans of the readings that may follow: what each candidate would add is computed once.

    Parameters
    ----------
    belief, statistics
        Sample, electrode and bench.
    taken_ph_free
        (k,) free pH of the readings so far that count, falling; may be empty.
    """

    def __init__(self, belief: Belief, statistics: Statistics, taken_ph_free: FloatArray) -> None:
        self._belief, self._statistics = belief, statistics
        self._taken = taken = np.asarray(taken_ph_free, dtype=float)
        top = min(HIGHEST_PH_FREE, float(taken[-1]) - LEAST_APART_PH) if len(taken) else HIGHEST_PH_FREE
        self._grid = np.arange(LOWEST_PH_FREE, top + 1e-9, GRID_PH)
        self._costs: dict[bytes, FloatArray] = {}

    def best(self, more: int) -> tuple[FloatArray, FloatArray]:
        """Choose the next readings.

        Parameters
        ----------
        more
            How many may follow, at least one.

        Returns
        -------
        tuple
            Targets in free pH, falling, shape (m,) with m <= more; and the cost (see `cost_of`) with 1, 2, ... m of
            them, were they chosen one by one.
        """
        grid = self._grid
        chosen, promised = np.empty(0), []
        if len(grid) == 0:
            return chosen, np.empty(0)
        for _ in range(more):
            cost = self._cost_beside([chosen])
            best = int(np.argmin(cost))
            if not np.isfinite(cost[best]):
                break
            chosen = np.sort(np.append(chosen, grid[best]))[::-1]
            promised.append(float(cost[best]))
        for _ in range(SWEEPS):
            for i in range(len(chosen)):
                ahead = [np.delete(chosen, j) for j in range(i, len(chosen))]  # as they stand, if none is exchanged
                best = int(np.argmin(self._cost_beside(ahead)))
                chosen = np.sort(np.append(ahead[0], grid[best]))[::-1]
        return chosen, np.array(promised)

    def _cost_beside(self, sets: list[FloatArray]) -> FloatArray:
        """Return what each candidate would give beside the first of these sets of equal length.

        Where that is not known, the others are computed in the same go: one call of many rows costs little more than
        one of a few.
        """
        first = sets[0].tobytes()
        if first not in self._costs:
            new = {key: chosen for chosen in sets if (key := chosen.tobytes()) not in self._costs}
            costs = self._computed(np.array(list(new.values())))
            self._costs.update(zip(new, costs, strict=True))
        return self._costs[first]

    def _computed(self, sets: FloatArray) -> FloatArray:
        """Return what each candidate of the grid would give beside each of the sets, (sets, candidates)."""
        taken, grid = self._taken, self._grid
        k, (s, n), g = len(taken), sets.shape, len(grid)
        rows = np.empty((s, g, k + n + 1))
        rows[:, :, :k] = taken
        rows[:, :, k:-1] = sets[:, None, :]
        rows[:, :, -1] = grid
        rows[:, :, k:] = np.sort(rows[:, :, k:], axis=-1)[:, :, ::-1]
        near = (np.abs(grid[:, None] - sets[:, None, :]) < LEAST_APART_PH - 1e-9).any(axis=-1)
        cost = cost_of(self._belief, self._statistics, rows.reshape(s * g, -1)).reshape(s, g)
        return np.where(near, np.inf, cost)


def best_targets(
    belief: Belief, statistics: Statistics, taken_ph_free: FloatArray, more: int
) -> tuple[FloatArray, FloatArray]:
    """Choose the next readings once: see `Plans`."""
    return Plans(belief, statistics, taken_ph_free).best(more)


def _readings_at(belief: Belief, statistics: Statistics, ph_free: FloatArray) -> Readings:
    """Return the readings that would show these pH."""
    theta = belief.theta
    emf = theta[1] + theta[2] * belief.nernst_mv * np.log(10.0**-ph_free / PIVOT_H)
    elapsed = np.full(ph_free.shape, statistics.reading_every_s)
    elapsed[..., 0] = 0.0
    readings = Readings(
        acid=np.zeros(ph_free.shape),
        dilution=np.ones(ph_free.shape),
        emf_mv=emf,
        nernst_mv=np.full(ph_free.shape, belief.nernst_mv),
        elapsed_s=elapsed,
        medium=belief.medium,
        equilibrium_carbon=belief.equilibrium_carbon,
        noise_mv=np.full(ph_free.shape, statistics.reading_sd_mv),
        dose_variance=np.zeros(ph_free.shape),
        co2=belief.co2,
    )
    acid = acid_taken(readings, theta, statistics.acid_mol_per_kg)
    return replace(
        readings,
        acid=acid,
        dilution=1.0 / (1.0 + acid / statistics.acid_mol_per_kg),
        dose_variance=acid * statistics.dose_variance_per_mol_kg,
    )
