"""When the tank will have left its band, if the doser goes on as it does: "below 7.5 dKH on Thursday, 70 % sure"."""

from dataclasses import dataclass, replace
from math import erfc, sqrt

from saltern.chemistry.endpoint.curve import Estimate
from saltern.tank.consumption import LEAST_RESULTS, LOOK_BACK_D, grid, swing_until, weights
from saltern.tank.history import Doser, History, Priors
from saltern.tank.model import Break, Part, lay
from saltern.tank.state_space import kalman_filter

HORIZON_D = 7.0
SURE_ENOUGH = 0.7
STILL_LIKELY = 0.4
"""A forecast that was sure is not taken back while it is so likely: one that wavers would cry wolf (assumed)."""

USUAL_OVER_D = 7.0


@dataclass(frozen=True)
class Ahead:
    """One midnight to come: the level, and how probable it is to lie below or above the band by then."""

    at_d: float
    level_dkh: Estimate
    below: float
    above: float


@dataclass(frozen=True)
class Forecast:
    """The nights to come, and the first one at which one is sure enough that the tank has left its band."""

    nights: tuple[Ahead, ...]
    leaves: Ahead | None
    downwards: bool


def forecast(
    history: History,
    priors: Priors,
    at_d: float,
    low_dkh: float,
    high_dkh: float,
    horizon_d: float = HORIZON_D,
    breaks: tuple[Break, ...] = (),
) -> Forecast | None:
    """Return the week to come, from what was known at a moment; None with too few results.

    Parameters
    ----------
    history, priors, at_d, breaks
        As `consumption` takes them. The doser is supposed to go on, and nobody to dose by hand.
    low_dkh, high_dkh
        The band.
    horizon_d
        How far ahead.

    Notes
    -----
    Probabilities are of the level at that midnight, not of its lowest until then: a tank that swings through a limit by
    day is looked after by alerts.
    """
    known = history.until(at_d).since(at_d - LOOK_BACK_D).without_offsets()
    if len(known.seen) < LEAST_RESULTS:
        return None
    variants = grid(breaks)
    end_d, swing = at_d + horizon_d, swing_until(known, priors, at_d)
    laid = lay(known, priors, variants, end_d, swing=swing, draws_d=_draws_to_come(known, at_d, end_d))
    filtered = kalman_filter(laid.start, laid.steps, len(variants))
    likely = weights(filtered)
    nights = []
    midnights = {time: i for i, time in enumerate(laid.times_d) if time > at_d and time == round(time)}
    for time, i in midnights.items():
        means = filtered.mean[i, :, Part.LEVEL]
        spreads = [sqrt(max(1e-12, v)) for v in filtered.covariance[i, :, Part.LEVEL, Part.LEVEL]]
        mean = float(likely @ means)
        variance = float(sum(w * (s**2 + (m - mean) ** 2) for w, m, s in zip(likely, means, spreads, strict=True)))
        below = float(sum(w * _below(low_dkh, m, s) for w, m, s in zip(likely, means, spreads, strict=True)))
        above = float(sum(w * (1.0 - _below(high_dkh, m, s)) for w, m, s in zip(likely, means, spreads, strict=True)))
        nights.append(Ahead(time, Estimate(mean, sqrt(variance)), below, above))
    leaves = next((each for each in nights if max(each.below, each.above) >= SURE_ENOUGH), None)
    return Forecast(tuple(nights), leaves, leaves is not None and leaves.below >= leaves.above)


def is_leaving(ahead: Forecast) -> bool | None:
    """Return whether the tank is about to leave its band; None where that is not sure, and not unlikely either."""
    if ahead.leaves is not None:
        return True
    likely = max((max(night.below, night.above) for night in ahead.nights), default=0.0)
    return None if likely >= STILL_LIKELY else False


def dosed_as_before(history: History, at_d: float) -> History:
    """Return the history as if doses by hand went on evenly from this moment, as in the week past."""
    by_hand = sum(dose.dkh for dose in history.doses if at_d - USUAL_OVER_D < dose.at_d <= at_d)
    if by_hand == 0.0:
        return history
    set_to = next((each.dkh_per_day for each in reversed(history.doser) if each.at_d <= at_d), 0.0)
    over_d = min(USUAL_OVER_D, at_d - history.seen[0].at_d) if history.seen else USUAL_OVER_D
    going_on = Doser(at_d, set_to + by_hand / max(over_d, 1.0))
    return replace(history, doser=(*(each for each in history.doser if each.at_d <= at_d), going_on))


def _draws_to_come(known: History, at_d: float, end_d: float) -> list[float]:
    """Return when samples will be drawn, if it goes on as in the week past."""
    week = [each for each in known.seen if each.at_d > at_d - USUAL_OVER_D]
    every_d = min(USUAL_OVER_D, at_d - known.seen[0].at_d) / max(len(week), 1)
    return [] if every_d <= 0.0 else [at_d + every_d * (k + 1) for k in range(int((end_d - at_d) / every_d))]


def _below(limit: float, mean: float, spread: float) -> float:
    return 0.5 * erfc((mean - limit) / spread / sqrt(2.0))
