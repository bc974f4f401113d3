"""Whether something has changed, when, and by how much: hypotheses compared on what the tank's model did not expect.

A change at one moment leaves a signature in the innovations that follow, which is known up to its size. So one pass of
the filter serves every moment and kind (Willsky & Jones 1976, IEEE Trans. Autom. Control 21, 108; de Jong & Penzer
1998, J. Am. Stat. Assoc. 93, 796). A size is supposed to be normal about zero; what it is likely to be follows.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property
from math import erfc

import numpy as np

from saltern.chemistry.quantities import FloatArray
from saltern.tank.consumption import grid, log_priors, swing_until
from saltern.tank.history import History, Priors
from saltern.tank.model import SWINGS, Break, Part, lay, swing_over_mean
from saltern.tank.state_space import Filtered, Step, kalman_filter

LOOK_BACK_D = 28.0
SUSPECTED_D = 21.0
"""So far back a change is looked for; results from before that say what was usual."""

LEAST_RESULTS, LEAST_BEFORE = 6, 3
SURELY_ALONE, LEAST_LATER = 0.95, 2
A_DAY_D = 1.0 - 1e-6
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
    Supposed(Shock.RATE, Part.MEAN, 0.03, 0.35, 0.12),
    Supposed(Shock.LEVEL, Part.LEVEL, 0.01, 0.4, 0.12),
    Supposed(Shock.FACTOR, Part.FACTOR, 0.01, 0.05, 0.008),
    Supposed(Shock.DRIFT, Part.DRIFT, 0.01, 0.0017, 0.0005),
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
    """What is thought of the last weeks, after one result.

    Attributes
    ----------
    at_d
        When the result was drawn.
    nothing
        The probability that nothing has changed.
    innovations
        Standardised, one a result, as the mean model has them: for charts.
    """

    at_d: float
    nothing: float
    innovations: FloatArray
    _kinds: tuple[Supposed, ...]
    _onsets_d: tuple[float, ...]
    _posterior: FloatArray  # (models, onsets, kinds)
    _size: FloatArray
    _variance: FloatArray

    def probability(self, *kinds: Shock) -> float:
        return float(sum(self._posterior[:, :, i].sum() for i, each in enumerate(self._kinds) if each.kind in kinds))

    def matters(self, *kinds: Shock) -> float:
        return sum(self.by_kind[kind].matters for kind in kinds)

    def alone_at(self, history: History) -> float | None:
        """Return when a result was drawn that is surely off alone, as later ones agree; None where there is none."""
        for i, each in enumerate(self._kinds):
            by_onset = self._posterior[:, :, i].sum(axis=0) if each.kind is Shock.RESULT else np.zeros(0)
            for k in np.flatnonzero(by_onset >= SURELY_ALONE):
                after = [one.at_d for one in history.seen if self._onsets_d[k] < one.at_d <= self.at_d]
                if len(after) > LEAST_LATER:
                    return after[0]
        return None

    @cached_property
    def by_kind(self) -> dict[Shock, Suspicion]:
        """Return what is thought of each kind; with `nothing` their probabilities come to one."""
        return {each.kind: self._of(i, each) for i, each in enumerate(self._kinds)}

    def _of(self, i: int, each: Supposed) -> Suspicion:
        posterior, size, variance = (all_[:, :, i] for all_ in (self._posterior, self._size, self._variance))
        by_onset = posterior.sum(axis=0)
        best = int(np.argmax(by_onset))
        weights = posterior[:, best] / max(by_onset[best], 1e-300)
        mean = float(weights @ size[:, best])
        spread = float(weights @ (variance[:, best] + (size[:, best] - mean) ** 2))
        matters = float(np.sum(posterior * _beyond(size, np.sqrt(variance), each.least)))
        return Suspicion(each.kind, float(by_onset.sum()), matters, self._onsets_d[best], mean, float(np.sqrt(spread)))


def suspicions(
    history: History,
    priors: Priors,
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
    history, priors, breaks, supposed, since_d, until_d
        As `follow` takes them.
    at_d
        The moment.
    """
    newest = max((each.at_d for each in history.seen if each.at_d <= at_d), default=None)
    if newest is None:
        return None
    return next(follow(history, priors, newest, at_d, breaks, supposed, since_d, until_d), None)


def follow(
    history: History,
    priors: Priors,
    from_d: float,
    to_d: float,
    breaks: tuple[Break, ...] = (),
    supposed: Sequence[Supposed] = SUPPOSED,
    since_d: float | None = None,
    until_d: float | None = None,
) -> Iterator[Suspicions]:
    """Return what may have changed, after each result of a time, as far as it was known then: one pass of the filter.

    A result that was surely off alone is set aside from then on: it would outweigh, and so hide, any change after it.

    Parameters
    ----------
    history, priors
        What is known.
    from_d, to_d
        The first and last moment; what came up to four weeks before the first counts too.
    breaks
        Changes that have been reported.
    supposed
        What is looked for.
    since_d, until_d
        Nothing before or after these moments is suspected; none: all of the last three weeks.
    """
    while True:
        known = history.until(to_d).since(from_d - LOOK_BACK_D)
        alone: float | None = None
        for found in _followed(known, priors, from_d, to_d, breaks, supposed, since_d, until_d):
            alone = found.alone_at(known)
            if alone is not None:
                from_d, history = found.at_d, history.without(alone)
                break
            yield found
        if alone is None:
            return


def without_outliers(history: History, priors: Priors, at_d: float, breaks: tuple[Break, ...] = ()) -> History:
    """Return a history without the results that were off alone, as far as that was sure at a moment."""
    newest = max((each.at_d for each in history.seen if each.at_d <= at_d), default=at_d)
    while True:
        known = history.until(at_d).since(newest - LOOK_BACK_D)
        found = next(_followed(known, priors, newest, at_d, breaks, SUPPOSED, None, None), None)
        alone = None if found is None else found.alone_at(known)
        if alone is None:
            return history
        history = history.without(alone)


def _followed(
    known: History,
    priors: Priors,
    from_d: float,
    to_d: float,
    breaks: tuple[Break, ...],
    supposed: Sequence[Supposed],
    since_d: float | None,
    until_d: float | None,
) -> Iterator[Suspicions]:
    """Return what may have changed after each result, with nothing set aside."""
    if len(known.seen) < LEAST_RESULTS:
        return
    variants = grid(breaks)
    laid = lay(known, priors, variants, to_d, swing=swing_until(known, priors, from_d))
    filtered = kalman_filter(laid.start, laid.steps, len(variants))
    of_model = log_priors() + np.cumsum(filtered.log_likelihood, axis=0)
    trace = _Trace(tuple(supposed), len(variants), filtered.mean.shape[-1])
    looked_at = {step: r for r, step in enumerate(laid.result_steps)}
    ends = {step + (known.seen[r].e0_mv is not None): r for step, r in looked_at.items()}
    for i, step in enumerate(laid.steps):
        trace.move(step)
        if step.row is not None and not np.isnan(filtered.innovation_variance[i, 0]):
            trace.see(step, filtered, i, of_level=i in looked_at)
        r = ends.get(i)
        if r is None:
            continue
        at_d = known.seen[r].at_d
        if r + 1 >= LEAST_RESULTS and at_d >= from_d and trace.onsets_d:
            seen = list(laid.result_steps[: r + 1])
            charted = filtered.innovation[seen] / np.sqrt(filtered.innovation_variance[seen])
            yield trace.weigh(at_d, of_model[i], np.mean(charted, axis=1))
        trace.forget(at_d)
        if r >= LEAST_BEFORE and (since_d is None or at_d >= since_d) and (until_d is None or at_d <= until_d):
            trace.begin(at_d, swing_over_mean(filtered.mean[i], filtered.covariance[i]))


class _Trace:
    """What each change would have left in the innovations, had it happened: one moment and kind beside the other.

    `off` is the true state, less the filter's, for a size of one, shape (models, onsets, kinds, state); `reach` and
    `pull`, shape (models, onsets, kinds), are sums over observations of signature^2 / variance, and of signature x
    innovation / variance.
    """

    def __init__(self, kinds: tuple[Supposed, ...], models: int, n: int) -> None:
        self.kinds, self.models, self.n = kinds, models, n
        self.onsets_d: list[float] = []
        self._off = np.zeros((models, 0, len(kinds), n))
        self._reach, self._pull = np.zeros((2, models, 0, len(kinds)))
        self._moved = np.eye(n)
        self._alone = np.array([each.part is None for each in kinds], dtype=float)
        self._fresh = False

    def move(self, step: Step) -> None:
        """Let the state move; this is counted at the next observation."""
        if self.onsets_d:
            self._moved = step.transition[0] @ self._moved

    def see(self, step: Step, filtered: Filtered, i: int, *, of_level: bool) -> None:
        """Count one observation; the first of the level after a moment is the one that may be off alone."""
        if not self.onsets_d:
            return
        self._off = self._off @ self._moved.T
        self._moved = np.eye(self.n)
        shows = self._off @ _row(step)
        if of_level and self._fresh:
            shows[:, -1] += self._alone
            self._fresh = False
        variance = filtered.innovation_variance[i]
        self._reach += shows**2 / variance[:, None, None]
        self._pull += shows * (filtered.innovation[i] / variance)[:, None, None]
        self._off -= shows[..., None] * filtered.gain(i, step)[:, None, None, :]

    def begin(self, at_d: float, swing: FloatArray) -> None:
        """Suppose changes just after a result."""
        new = np.zeros((self.models, 1, len(self.kinds), self.n))
        for s, each in enumerate(self.kinds):
            if each.part is not None:
                new[:, :, s, each.part] = 1.0
            if each.part is Part.MEAN:
                new[:, 0, s, SWINGS] = swing
        # what has moved since the last observation concerns the earlier ones alone
        self._off = np.concatenate([self._off @ self._moved.T, new], axis=1)
        self._moved = np.eye(self.n)
        none = np.zeros((self.models, 1, len(self.kinds)))
        self._reach, self._pull = (np.concatenate([each, none], axis=1) for each in (self._reach, self._pull))
        self.onsets_d.append(at_d)
        self._fresh = True

    def forget(self, at_d: float) -> None:
        """Drop the moments that lie too far back, and of a day's that lie further back all but one."""
        kept, last = [], -np.inf
        for k, onset_d in enumerate(self.onsets_d):
            near = at_d - onset_d <= CLOSELY_D
            if at_d - onset_d <= SUSPECTED_D and (near or onset_d - last >= A_DAY_D):
                kept.append(k)
                last = onset_d
        if len(kept) < len(self.onsets_d):
            self.onsets_d = [self.onsets_d[k] for k in kept]
            self._off, self._reach, self._pull = (each[:, kept] for each in (self._off, self._reach, self._pull))

    def weigh(self, at_d: float, of_model: FloatArray, innovations: FloatArray) -> Suspicions:
        """Return how probable each change is, and how large."""
        sd_2 = np.array([each.sd**2 for each in self.kinds])
        known_2 = 1.0 + sd_2 * self._reach
        log_odds = 0.5 * (sd_2 * self._pull**2 / known_2 - np.log(known_2))
        gaps_d = np.clip(np.diff([*self.onsets_d, at_d]), 1e-3, 1.0)
        prior = np.log(np.outer(gaps_d, [each.per_day for each in self.kinds]))
        log = of_model[:, None, None] + log_odds + prior
        largest = max(float(log.max()), float(of_model.max()))
        posterior, nothing = np.exp(log - largest), float(np.exp(of_model - largest).sum())
        whole = nothing + float(posterior.sum())
        return Suspicions(
            at_d, nothing / whole, innovations, self.kinds, tuple(self.onsets_d), posterior / whole,
            sd_2 * self._pull / known_2, sd_2 / known_2,
        )  # fmt: skip


def _row(step: Step) -> FloatArray:
    if step.row is None:
        msg = "nothing is seen at this step"
        raise ValueError(msg)
    found: FloatArray = step.row[0]
    return found


def _beyond(size: FloatArray, u: FloatArray, least: float) -> FloatArray:
    """Return the probability that a size is at least so large, either way."""
    above, below = (least - size) / (u * np.sqrt(2.0)), (least + size) / (u * np.sqrt(2.0))
    found: FloatArray = 0.5 * (_ERFC(above) + _ERFC(below))
    return found
