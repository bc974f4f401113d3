"""A linear Gaussian state space model: filter, likelihood and fixed-interval smoother, with a diffuse start.

Durbin & Koopman 2012, Time Series Analysis by State Space Methods, 2nd edition: the univariate filter (6.4), the exact
initial filter and smoother (5.2, 5.3, 6.4.4), missing observations (4.10). Several models that differ in their numbers
and not in their shape are filtered at once: every array has a leading axis for them, of length 1 where they share it.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from saltern.chemistry.quantities import FloatArray

LOG_2_PI = float(np.log(2.0 * np.pi))
NO_LONGER_DIFFUSE = 1e-9


@dataclass(frozen=True)
class Step:
    """What happens to the state up to one moment, and what is seen at it.

    Parameters
    ----------
    transition
        Shape (m or 1, n, n): the state now, from the state before.
    shift
        Shape (m or 1, n): what is added to it.
    noise
        Shape (m or 1, n, n): the covariance of what is added at random.
    row
        Shape (m or 1, n): the observation, from the state now; None where nothing is seen.
    seen, variance
        What was seen, and the variance of its own error.
    """

    transition: FloatArray
    shift: FloatArray
    noise: FloatArray
    row: FloatArray | None = None
    seen: float | None = None
    variance: float = 0.0


@dataclass(frozen=True)
class Start:
    """The state before the first step: mean (m or 1, n), covariance (m or 1, n, n); of some parts nothing is known."""

    mean: FloatArray
    covariance: FloatArray
    diffuse: tuple[int, ...] = ()


@dataclass(frozen=True)
class Filtered:
    """What was known after each step, of k steps and m models.

    Attributes
    ----------
    mean, covariance
        Shapes (k, m, n) and (k, m, n, n), after the observation.
    innovation, innovation_variance
        Shape (k, m): seen less expected, and its variance; NaN where nothing was seen or nothing could be expected.
    log_likelihood
        Shape (k, m): of each step; its sum is the diffuse log-likelihood.
    """

    mean: FloatArray
    covariance: FloatArray
    innovation: FloatArray
    innovation_variance: FloatArray
    log_likelihood: FloatArray
    _diffuse: tuple[FloatArray | None, ...]
    _predicted: tuple[tuple[FloatArray, FloatArray, FloatArray | None], ...]

    def gain(self, k: int, step: Step) -> FloatArray:
        """Return how far the state followed the innovation of a step, shape (m, n), where it was no longer diffuse."""
        found: FloatArray = _times(self._predicted[k][1], _row_of(step)) / self.innovation_variance[k][:, None]
        return found


@dataclass(frozen=True)
class Smoothed:
    """What is known of each step from all of them: shapes (k, m, n) and (k, m, n, n)."""

    mean: FloatArray
    covariance: FloatArray


def kalman_filter(start: Start, steps: Sequence[Step], models: int = 1) -> Filtered:
    """Filter a series.

    Parameters
    ----------
    start
        The state before the first step.
    steps
        In order of time. A step without an observation only moves the state.
    models
        How many are filtered at once, m.
    """
    n = start.mean.shape[-1]
    mean = np.broadcast_to(start.mean, (models, n)).copy()
    known = np.broadcast_to(start.covariance, (models, n, n)).copy()
    diffuse: FloatArray | None = None
    if start.diffuse:
        diffuse = np.zeros((n, n))
        diffuse[start.diffuse, start.diffuse] = 1.0
    means, covariances, diffuses, predictions = [], [], [], []
    innovations = np.full((len(steps), models), np.nan)
    variances = np.full((len(steps), models), np.nan)
    likelihoods = np.zeros((len(steps), models))
    for k, step in enumerate(steps):
        mean = _moved(step, mean)
        known = step.transition @ known @ _turned(step.transition) + step.noise
        if diffuse is not None:
            diffuse = step.transition[0] @ diffuse @ step.transition[0].T
        predictions.append((mean, known, diffuse))
        if step.row is not None and step.seen is not None:
            row = step.row
            reach = known @ row[..., None]
            spread = (row[:, None, :] @ reach)[:, 0, 0] + step.variance
            surprise = step.seen - np.sum(row * mean, axis=-1)
            far = 0.0 if diffuse is None else float(row[0] @ diffuse @ row[0])
            if diffuse is not None and far > NO_LONGER_DIFFUSE:
                mean, known, diffuse = _first_sight(row, diffuse, far, (mean, known, reach[..., 0], spread, surprise))
                likelihoods[k] = -0.5 * np.log(far)
            else:
                gain = reach[..., 0] / spread[:, None]
                mean = mean + gain * surprise[:, None]
                known = known - gain[:, :, None] * reach[..., 0][:, None, :]
                innovations[k], variances[k] = surprise, spread
                likelihoods[k] = -0.5 * (LOG_2_PI + np.log(spread) + surprise**2 / spread)
            known = 0.5 * (known + _turned(known))
        means.append(mean)
        covariances.append(known)
        diffuses.append(diffuse)
    return Filtered(
        np.array(means), np.array(covariances), innovations, variances, likelihoods, tuple(diffuses), tuple(predictions)
    )


def smooth(steps: Sequence[Step], filtered: Filtered) -> Smoothed:
    """Smooth a filtered series: each state from what was seen before and after it."""
    k, m, n = filtered.mean.shape
    means, covariances = np.empty((k, m, n)), np.empty((k, m, n, n))
    r0, r1 = np.zeros((m, n)), np.zeros((m, n))
    n0, n1, n2 = (np.zeros((m, n, n)) for _ in range(3))
    for i in range(k - 1, -1, -1):
        step = steps[i]
        mean, known, diffuse = filtered._predicted[i]
        if step.row is not None and step.seen is not None:
            r0, r1, n0, n1, n2 = _back_through_sight(step, (mean, known, diffuse), (r0, r1, n0, n1, n2))
        means[i] = mean + _times(known, r0)
        covariances[i] = known - known @ n0 @ known
        if diffuse is not None and diffuse.any():
            means[i] += _times(diffuse[None], r1)
            crossed = diffuse[None] @ n1 @ known
            covariances[i] -= crossed + _turned(crossed) + diffuse[None] @ n2 @ diffuse[None]
        back = _turned(step.transition)
        r0, r1 = _times(back, r0), _times(back, r1)
        n0, n1, n2 = (back @ each @ step.transition for each in (n0, n1, n2))
    return Smoothed(means, covariances)


_Backwards = tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]


def _first_sight(
    row: FloatArray,
    diffuse: FloatArray,
    far: float,
    state: tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray],
) -> tuple[FloatArray, FloatArray, FloatArray | None]:
    """Take in an observation of something of which nothing was known: Durbin & Koopman, 6.4.4."""
    mean, known, reach, spread, surprise = state
    sure = diffuse @ row[0] / far
    mean = mean + sure * surprise[:, None]
    crossed = reach[:, :, None] * sure
    known = known - crossed - _turned(crossed) + np.outer(sure, sure) * spread[:, None, None]
    diffuse = diffuse - np.outer(sure, sure) * far
    return mean, known, diffuse if np.abs(diffuse).max() > NO_LONGER_DIFFUSE else None


def _back_through_sight(
    step: Step, predicted: tuple[FloatArray, FloatArray, FloatArray | None], after: _Backwards
) -> _Backwards:
    """Take the smoother's sums back through one observation: Durbin & Koopman, 4.4 and 5.3."""
    mean, known, diffuse = predicted
    r0, r1, n0, n1, n2 = after
    row = _row_of(step)
    reach = _times(known, row)
    spread = np.sum(row * reach, axis=-1) + step.variance
    surprise = (step.seen or 0.0) - np.sum(row * mean, axis=-1)
    square = row[:, :, None] * row[:, None, :]
    one = np.eye(row.shape[-1])
    far = 0.0 if diffuse is None else float(row[0] @ diffuse @ row[0])
    if diffuse is None or far <= NO_LONGER_DIFFUSE:
        left = one - (reach / spread[:, None])[:, :, None] * row[:, None, :]
        back = _turned(left)
        r0 = row * (surprise / spread)[:, None] + _times(back, r0)
        n0 = square / spread[:, None, None] + back @ n0 @ left
        return r0, _times(back, r1), n0, back @ n1 @ left, back @ n2 @ left
    sure = (diffuse @ row[0] / far)[None]
    left = one - sure[:, :, None] * row[:, None, :]
    rest = -((reach - sure * spread[:, None]) / far)[:, :, None] * row[:, None, :]
    back, back_rest = _turned(left), _turned(rest)
    r1 = row * (surprise / far)[:, None] + _times(back_rest, r0) + _times(back, r1)
    crossed = back @ n1 @ rest
    n2 = (
        -square * (spread / far**2)[:, None, None]
        + back_rest @ n0 @ rest
        + crossed
        + _turned(crossed)
        + back @ n2 @ left
    )
    n1 = square / far + back_rest @ n0 @ left + back @ n1 @ left
    return _times(back, r0), r1, back @ n0 @ left, n1, n2


def _row_of(step: Step) -> FloatArray:
    """Return the row of a step that sees something."""
    if step.row is None:
        msg = "nothing is seen at this step"
        raise ValueError(msg)
    return step.row


def _moved(step: Step, mean: FloatArray) -> FloatArray:
    return _times(step.transition, mean) + step.shift


def _times(matrix: FloatArray, vector: FloatArray) -> FloatArray:
    product: FloatArray = (matrix @ vector[..., None])[..., 0]
    return product


def _turned(matrix: FloatArray) -> FloatArray:
    return np.swapaxes(matrix, -1, -2)
