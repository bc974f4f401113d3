"""Whether something has changed, when, and by how much: hypotheses compared on what the tank's model did not expect.

A change at one moment leaves a signature in the innovations that follow, which is known up to its size. So one pass of
the filter serves every moment and kind (Willsky & Jones 1976, IEEE Trans. Autom. Control 21, 108; de Jong & Penzer
1998, J. Am. Stat. Assoc. 93, 796). A size is supposed to be normal about zero; what it is likely to be follows.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from math import erfc

import numpy as np

from saltern.chemistry.quantities import FloatArray
from saltern.tank.consumption import grid, log_likelihood
from saltern.tank.history import Beliefs, History
from saltern.tank.model import Break, Part, lay
from saltern.tank.state_space import Filtered, Step, kalman_filter

LOOK_BACK_D = 21.0
SWINGS = [Part.COS1, Part.SIN1, Part.COS2, Part.SIN2]
LEAST_CONSUMPTION_DKH_PER_DAY = 0.15
_ERFC = np.vectorize(erfc, otypes=[float])
CLOSELY_D = 4.0
"""So far back any result may have been the last before a change; before that, one a day."""


class Shock(StrEnum):
    """What may have changed."""

    RATE = "rate"  # the net rate, dKH/day: falls where positive
    LEVEL = "level"  # the level, dKH, at once
    FACTOR = "factor"  # results, relative, at once
    DRIFT = "drift"  # results, relative, more each day
    RESULT = "result"  # one result alone, dKH


@dataclass(frozen=True)
class Supposed:
    """How often a kind is supposed to happen, a day, how large it then is (k = 1), and which size matters."""

    kind: Shock
    part: Part | None
    per_day: float
    sd: float
    least: float


SUPPOSED = (
    Supposed(Shock.RATE, Part.MEAN, 0.01, 0.35, 0.12),
    Supposed(Shock.LEVEL, Part.LEVEL, 0.01, 0.4, 0.12),
    Supposed(Shock.FACTOR, Part.FACTOR, 0.008, 0.05, 0.008),
    Supposed(Shock.DRIFT, Part.DRIFT, 0.005, 0.0013, 0.0005),
    Supposed(Shock.RESULT, None, 0.06, 0.4, 0.0),
)
"""Assumed, not measured: each kind a few times a year, 1 % of results off; sizes that matter to a keeper."""


@dataclass(frozen=True)
class Suspicion:
    """One kind of change.

    Attributes
    ----------
    kind
        What.
    probability
        Of this kind among all, and none.
    matters
        The probability that it is this kind, and large enough to matter.
    since_d
        When it most likely began.
    size, u
        Its size then, in its kind's unit.
    """

    kind: Shock
    probability: float
    matters: float
    since_d: float
    size: float
    u: float


@dataclass(frozen=True)
class Suspicions:
    """What is thought of the last three weeks.

    Attributes
    ----------
    nothing
        The probability that nothing has changed.
    by_kind
        Of each kind; with `nothing` they come to one.
    innovations
        Standardised, one a result, as the mean model has them: for charts.
    """

    nothing: float
    by_kind: dict[Shock, Suspicion]
    innovations: FloatArray

    def probability(self, *kinds: Shock) -> float:
        return sum(self.by_kind[kind].probability for kind in kinds)

    def matters(self, *kinds: Shock) -> float:
        return sum(self.by_kind[kind].matters for kind in kinds)


def suspicions(
    history: History,
    beliefs: Beliefs,
    at_d: float,
    breaks: tuple[Break, ...] = (),
    supposed: Sequence[Supposed] = SUPPOSED,
    since_d: float | None = None,
    until_d: float | None = None,
) -> Suspicions | None:
    """Return what may have changed, as far as it was known at a moment; None before the sixth result,
    and while nothing has been seen since `since_d`.

    Parameters
    ----------
    history, beliefs
        What is known.
    at_d
        The moment.
    breaks
        Changes that have been told.
    supposed
        What is looked for.
    since_d, until_d
        Nothing before or after these moments is suspected; none: all of the last three weeks.
    """
    known = history.until(at_d).since(at_d - LOOK_BACK_D)
    if len(known.seen) < 6:
        return None
    onsets, gaps_d = _onsets(known, at_d, since_d, until_d)
    if not onsets:
        return None
    variants = grid(breaks)
    laid = lay(known, beliefs, variants, at_d)
    filtered = kalman_filter(laid.start, laid.steps, len(variants))
    hypotheses = [(k, s) for k in range(len(onsets)) for s in range(len(supposed))]
    reach, pull = _signatures(laid.steps, filtered, [laid.result_steps[i] for i in onsets], supposed)
    # shapes (models, hypotheses): what is known of a size, and its odds against nothing
    sd_2 = np.array([supposed[s].sd ** 2 for _, s in hypotheses])
    known_2 = 1.0 + sd_2 * reach
    log_odds = 0.5 * (sd_2 * pull**2 / known_2 - np.log(known_2))
    prior = np.log([supposed[s].per_day * gaps_d[k] for k, s in hypotheses])
    of_model = log_likelihood(filtered)
    log = np.column_stack([of_model, of_model[:, None] + log_odds + prior])
    posterior = np.exp(log - log.max())
    posterior /= posterior.sum()
    size, variance = sd_2 * pull / known_2, sd_2 / known_2
    least = np.array([supposed[s].least for _, s in hypotheses])
    large = posterior[:, 1:] * _beyond(size, np.sqrt(variance), least)
    by_kind = {}
    for s, each in enumerate(supposed):
        mine = [1 + i for i, (_, other) in enumerate(hypotheses) if other == s]
        by_onset = posterior[:, mine].sum(axis=0)
        best = int(np.argmax(by_onset))
        column = mine[best] - 1
        weights = posterior[:, mine[best]] / max(posterior[:, mine[best]].sum(), 1e-300)
        mean = float(weights @ size[:, column])
        spread = float(weights @ (variance[:, column] + (size[:, column] - mean) ** 2))
        began = known.seen[onsets[best]].at_d
        matters = float(large[:, np.array(mine) - 1].sum())
        by_kind[each.kind] = Suspicion(each.kind, float(by_onset.sum()), matters, began, mean, float(np.sqrt(spread)))
    return Suspicions(float(posterior[:, 0].sum()), by_kind, _innovations(filtered, laid.result_steps))


def _beyond(size: FloatArray, u: FloatArray, least: FloatArray) -> FloatArray:
    """Return the probability that a size is at least so large, either way."""
    above, below = (least - size) / (u * np.sqrt(2.0)), (least + size) / (u * np.sqrt(2.0))
    found: FloatArray = 0.5 * (_ERFC(above) + _ERFC(below))
    return found


def _onsets(known: History, at_d: float, since_d: float | None, until_d: float | None) -> tuple[list[int], list[float]]:
    """Return the results after which something may have changed, and the time that each stands for."""
    chosen: list[int] = []
    last = -np.inf
    for i, each in enumerate(known.seen[:-1]):
        near = at_d - each.at_d <= CLOSELY_D
        within = (since_d is None or each.at_d >= since_d) and (until_d is None or each.at_d <= until_d)
        if i >= 3 and (near or each.at_d - last >= 1.0) and within:
            chosen.append(i)
            last = each.at_d
    times = [known.seen[i].at_d for i in chosen] + [at_d]
    return chosen, [min(max(times[k + 1] - times[k], 1e-3), 1.0) for k in range(len(chosen))]


def _signatures(
    steps: Sequence[Step], filtered: Filtered, onsets: Sequence[int], supposed: Sequence[Supposed]
) -> tuple[FloatArray, FloatArray]:
    """Return, for each model and hypothesis, what the innovations know of its size, and where they pull it.

    Shapes (m, onsets x kinds): sums over observations of signature^2 / variance, and signature x innovation / variance.
    """
    models, n = filtered.mean.shape[1:]
    count = len(onsets) * len(supposed)
    off = np.zeros((models, count, n))  # the true state, less the filter's, for a size of one
    reach, pull = np.zeros((models, count)), np.zeros((models, count))
    begins = {step: k for k, step in enumerate(onsets)}
    following = {after: k for k, after in enumerate(_next_results(steps, onsets, filtered))}
    swing = _swing_over_mean(filtered)
    begun = False
    for i, step in enumerate(steps):
        if begun:
            off = off @ step.transition[0].T
        if begun and step.row is not None and not np.isnan(filtered.innovation_variance[i, 0]):
            variance = filtered.innovation_variance[i]
            shows = off @ step.row[0]
            alone = following.get(i)
            if alone is not None:
                for s, each in enumerate(supposed):
                    if each.part is None:
                        shows[:, alone * len(supposed) + s] = 1.0
            reach += shows**2 / variance[:, None]
            pull += shows * (filtered.innovation[i] / variance)[:, None]
            gain = filtered.gain(i, step)
            off = off - shows[:, :, None] * gain[:, None, :]
        at = begins.get(i)
        if at is not None:
            begun = True
            for s, each in enumerate(supposed):
                if each.part is not None:
                    off[:, at * len(supposed) + s, each.part] = 1.0
                if each.part is Part.MEAN:
                    off[:, at * len(supposed) + s, SWINGS] = swing
    return reach, pull


def _swing_over_mean(filtered: Filtered) -> FloatArray:
    """Return the day-and-night parts over the mean consumption, shape (m, 4); zero where next to nothing is taken."""
    mean, spread = filtered.mean[-1, :, Part.MEAN], filtered.covariance[-1, :, Part.MEAN, Part.MEAN]
    sure = mean > np.maximum(LEAST_CONSUMPTION_DKH_PER_DAY, 2.0 * np.sqrt(spread))
    found: FloatArray = np.where(sure[:, None], filtered.mean[-1][:, SWINGS] / np.where(sure, mean, 1.0)[:, None], 0.0)
    return np.clip(found, -1.0, 1.0)


def _next_results(steps: Sequence[Step], onsets: Sequence[int], filtered: Filtered) -> list[int]:
    """Return the step of the result after each onset."""
    sees_level = [i for i, step in enumerate(steps) if step.row is not None and step.row[0, Part.LEVEL] == 1.0]
    following = dict(pairwise(sees_level))
    return [following[step] for step in onsets]


def _innovations(filtered: Filtered, results: Sequence[int]) -> FloatArray:
    mean = filtered.innovation[list(results)] / np.sqrt(filtered.innovation_variance[list(results)])
    found: FloatArray = np.mean(mean, axis=1)
    return found
