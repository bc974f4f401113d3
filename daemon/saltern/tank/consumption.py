"""What a tank consumes: net rate, consumption and level with their uncertainties, from a history of results and doses.

How much the consumption wanders, and how much a doser scatters from day to day, is learnt from the tank itself: models
of each are filtered at once and weighed by their likelihood (Hoeting et al. 1999, Statist. Sci. 14, 382), so
that the uncertainty of what was learnt is in the answer.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, sqrt

import numpy as np

from saltern.chemistry.endpoint.curve import Estimate
from saltern.chemistry.quantities import FloatArray
from saltern.tank.history import History, Priors
from saltern.tank.model import LEVELS, NET, UPTAKE, Break, Laid, Part, Variant, lay, swing_over_mean
from saltern.tank.state_space import Filtered, kalman_filter

WANDERS_DKH_PER_DAY = {0.015: 0.15, 0.03: 0.20, 0.05: 0.20, 0.075: 0.20, 0.1: 0.15, 0.2: 0.10}
"""The grid over which the wander is learnt, and how likely each is before anything is seen (assumed)."""

SCATTERS = {0.0: 0.4, 0.025: 0.38, 0.1: 0.22}
"""Of a doser from day to day, relative (one standard deviation); likewise.

Where consumption wanders a lot, results hardly show how far doses scatter: the answer is as wide as this prior makes
it. The largest lies well above what is usual, so that a doser of 5 % lies inside the grid and not at its edge.
"""

LOOK_BACK_D = 28.0
SURE_AFTER_D = 2.0
LEAST_RESULTS = 8
EARLY_U_DKH_PER_DAY = 0.15
"""Too early to say: fewer days or results than that, or a consumption that is not known better than that."""

ALWAYS_AFTER_D = 3.0
SWING_AFTER_D = 4.0
USUAL_WANDER_DKH_PER_DAY = 0.05
WINDOWS_D = (3.0, 7.0, 14.0)


@dataclass(frozen=True)
class Window:
    """Means over the days up to a moment; k = 1.

    Attributes
    ----------
    days
        How many there are: fewer than asked for in a tank that has not been measured for so long.
    consumption_dkh_per_day
        What corals take up, positive, without doses, dilution and sampling's loss.
    net_dkh_per_day
        Doses less everything that takes; water changes aside.
    alkalinity_dkh
        The mean level.
    """

    days: float
    consumption_dkh_per_day: Estimate
    net_dkh_per_day: Estimate
    alkalinity_dkh: Estimate


@dataclass(frozen=True)
class Consumption:
    """What is known at a moment, from what was known then.

    Attributes
    ----------
    windows
        By the days asked for.
    level_dkh
        The tank's level at that moment.
    rate_dkh_per_day
        What it is likely to take up over the next day.
    wander_dkh_per_day, doser_scatter
        Learnt: their means over the grid.
    volume_over_stated
        The volume that doses have shown, over the one that the keeper states.
    day_and_night
        Amplitude of the swing of the consumption over a day, over its mean.
    too_early
        Whether it is too early to say what the tank consumes.
    """

    windows: dict[float, Window]
    level_dkh: Estimate
    rate_dkh_per_day: Estimate
    wander_dkh_per_day: float
    doser_scatter: float
    volume_over_stated: Estimate
    day_and_night: float
    too_early: bool


def swing_until(history: History, priors: Priors, until_d: float) -> FloatArray | None:
    """Return the day-and-night parts over the mean consumption, as they were known at a moment; None in the first days.

    A model without breaks is enough for that: the light changes less than what is taken.
    """
    known = history.until(until_d)
    if len(known.seen) < LEAST_RESULTS or until_d - known.seen[0].at_d < SWING_AFTER_D:
        return None
    laid = lay(known, priors, [Variant(USUAL_WANDER_DKH_PER_DAY)], until_d)
    filtered = kalman_filter(laid.start, laid.steps)
    found: FloatArray = swing_over_mean(filtered.mean[-1], filtered.covariance[-1])[0]
    return found


def grid(breaks: tuple[Break, ...] = ()) -> list[Variant]:
    """Return the models over which wander and scatter are learnt."""
    return [Variant(wander, scatter, breaks) for wander in WANDERS_DKH_PER_DAY for scatter in SCATTERS]


def log_likelihood(filtered: Filtered) -> FloatArray:
    """Return the logarithm of each grid model's likelihood times how likely it was before, shape (m,)."""
    found: FloatArray = filtered.log_likelihood.sum(axis=0) + log_priors()
    return found


def log_priors() -> FloatArray:
    """Return the logarithm of how likely each grid model is before anything is seen, shape (m,)."""
    found: FloatArray = np.log([p * q for p in WANDERS_DKH_PER_DAY.values() for q in SCATTERS.values()])
    return found


def consumption(
    history: History,
    priors: Priors,
    at_d: float,
    windows_d: Sequence[float] = WINDOWS_D,
    breaks: tuple[Break, ...] = (),
) -> Consumption | None:
    """Return what a tank consumes, as it stood at a moment; None before the third result.

    Parameters
    ----------
    history, priors
        What is known; nothing later than `at_d` counts, and nothing older than four weeks.
    at_d
        The moment, in days of the history.
    windows_d
        Over how many days, each.
    breaks
        Changes that have been found, so that what was before does not weigh on what is now.
    """
    known = history.until(at_d).since(at_d - LOOK_BACK_D).without_offsets()
    if len(known.seen) < 3:
        return None
    variants = grid(breaks)
    laid = lay(known, priors, variants, at_d, windows_d, swing_until(known, priors, at_d))
    filtered = kalman_filter(laid.start, laid.steps, len(variants))
    mix = _Mix(filtered, weights(filtered))
    span = at_d - known.seen[0].at_d
    windows = {length: _window(mix, laid, i, min(length, span)) for i, length in enumerate(windows_d)}
    tau = priors.wander_days
    gain, rate = mix.of(Part.GAIN), mix.together({Part.MEAN: 1.0, Part.WANDER: tau * (1.0 - exp(-1.0 / tau))})
    swing = float(np.hypot(mix.of(Part.COS1).value, mix.of(Part.SIN1).value))
    u = min((each.consumption_dkh_per_day.u for each in windows.values()), default=rate.u)
    too_short = span < SURE_AFTER_D or len(known.seen) < LEAST_RESULTS
    return Consumption(
        windows,
        mix.of(Part.LEVEL),
        rate,
        float(mix.weights @ [each.wander_dkh_per_day for each in variants]),
        float(mix.weights @ [each.scatter for each in variants]),
        Estimate(1.0 / (1.0 + gain.value), gain.u),
        swing / max(abs(rate.value), rate.u),
        too_short or (span < ALWAYS_AFTER_D and u > EARLY_U_DKH_PER_DAY),
    )


def weights(filtered: Filtered) -> FloatArray:
    """Return the probability of each model of the grid, shape (m,)."""
    log = log_likelihood(filtered)
    likely = np.exp(log - log.max())
    found: FloatArray = likely / likely.sum()
    return found


class _Mix:
    """The last state, as a mixture of what the models make of it."""

    def __init__(self, filtered: Filtered, weights: FloatArray) -> None:
        self.weights = weights
        self._mean, self._covariance = filtered.mean[-1], filtered.covariance[-1]

    def of(self, part: int, over: float = 1.0) -> Estimate:
        means, variances = self._mean[:, part], self._covariance[:, part, part]
        mean = float(self.weights @ means)
        variance = float(self.weights @ (variances + (means - mean) ** 2))
        return Estimate(mean / over, float(np.sqrt(max(0.0, variance))) / over)

    def together(self, shares: dict[Part, float]) -> Estimate:
        """Return a sum of parts."""
        row = np.zeros(self._mean.shape[-1])
        row[list(shares)] = list(shares.values())
        means, variances = self._mean @ row, np.einsum("i,mij,j->m", row, self._covariance, row)
        mean = float(self.weights @ means)
        variance = float(self.weights @ (variances + (means - mean) ** 2))
        return Estimate(mean, sqrt(max(0.0, variance)))


def _window(mix: _Mix, laid: Laid, number: int, days: float) -> Window:
    over = max(days, 1e-9)
    uptake, net, level = (mix.of(laid.accumulator(number, which), over) for which in (UPTAKE, NET, LEVELS))
    return Window(days, uptake, net, level)
