"""The titre factor followed over standardisations: a Kalman filter of two states, its level and its rate.

Tubes wear in one direction and titrant evaporates in one direction, so what the factor did in the last weeks says
where it goes: a filter of the level alone stays behind a steady drift by as much as a week brings, for good. Each
standardisation sees the level through the scatter of its replicates. What the reference itself is uncertain by is
common to all made with it, and no number of them takes it away: it is carried beside the state.

The equations are those of a local linear trend (Durbin & Koopman 2012, Time Series Analysis by State Space Methods,
section 3.2), in the factor's logarithm.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import exp, hypot, log, sqrt
from statistics import mean

JUMP_SIGMAS = 4.0
DAYS_A_MONTH = 30.0

RATE_PRIOR = 0.01 / DAYS_A_MONTH
"""What a rate may be before any is seen, relative a day, 1 sd: one percent a month (assumed: peristaltic tubes lose
some percent of their delivery over their life of some months)."""

RATE_WALK = 0.0025 / DAYS_A_MONTH / sqrt(DAYS_A_MONTH)
"""How a rate changes, relative a day, 1 sd after a day: a quarter of a percent a month, after a month (assumed). Chosen
on drawn benches that it was not drawn from: a season of ±1 % is followed, and a steady drift costs little."""

RUN_OF = (2, 3, 4, 5, 6)
RUN_SIGMAS = 3.0
"""So far may the sum of the last few innovations, signed, lie from zero: chance exceeds it about once in a year of
weekly standardisations."""

STEP = 0.01
"""How far the level may have moved where a run of innovations says that it did, 1 sd (assumed)."""


@dataclass(frozen=True)
class TitreState:
    """The factor as it is known, at one moment: level and rate, their covariance, and the references behind them."""

    factor: float
    u: float  # of the level, relative
    u_reference: float  # relative
    rate: float = 0.0  # relative, a day
    u_rate: float = RATE_PRIOR
    covariance: float = 0.0  # of level and rate
    run: tuple[float, ...] = ()  # the last innovations in their standard deviations, oldest first

    @property
    def u_percent(self) -> float:
        return 100.0 * hypot(self.u, self.u_reference)


@dataclass(frozen=True)
class Updated:
    """What a standardisation makes of the state."""

    state: TitreState
    apart: float  # how far it lay from what was expected, in standard uncertainties
    jumped: bool = False  # so far that what was known before does not count
    ran: bool = False  # the last few lay on one side: the level may have moved, and is open again


def walk_of(drift_percent_per_month: float) -> float:
    """Return by what a level moves by chance, relative, 1 sd after a day.

    `titre.drift_percent_per_month` either way, rectangular (GUM, JCGM 100:2008, 4.3.7), after a month.
    """
    return drift_percent_per_month / 100.0 / sqrt(3.0) / sqrt(DAYS_A_MONTH)


def aged(state: TitreState, days: float, drift_percent_per_month: float) -> TitreState:
    """Let time pass: the level goes on at its rate, and both may change."""
    if days <= 0.0:
        return state
    walk, turn = walk_of(drift_percent_per_month) ** 2, RATE_WALK**2
    level = state.u**2 + 2.0 * days * state.covariance + (days * state.u_rate) ** 2 + walk * days + turn * days**3 / 3.0
    both = state.covariance + days * state.u_rate**2 + turn * days**2 / 2.0
    rate = state.u_rate**2 + turn * days
    return replace(
        state, factor=state.factor * exp(state.rate * days), u=sqrt(level), u_rate=sqrt(rate), covariance=both
    )


def found_by(raw_umol_kg: Sequence[float], own: float, reference_umol_kg: float, u_umol_kg: float) -> TitreState:
    """Return what one standardisation says of the factor by itself.

    Parameters
    ----------
    raw_umol_kg
        Its replicates, without any factor.
    own
        Relative standard uncertainty of one of them by itself: `quality.scatter`, the replicates' own scatter included.
    reference_umol_kg, u_umol_kg
        Of the reference.
    """
    u = own / sqrt(len(raw_umol_kg))
    return TitreState(reference_umol_kg / mean(raw_umol_kg), u, u_umol_kg / reference_umol_kg)


def updated(before: TitreState | None, found: TitreState) -> Updated:
    """Combine what was known with what a standardisation found.

    Parameters
    ----------
    before
        Aged to now; None where nothing earlier counts, as after a new tube.
    found
        By this standardisation alone.

    Returns
    -------
    Updated
        Beyond `JUMP_SIGMAS` something has changed, and the new one counts alone, its rate unknown. A run of innovations
        on one side opens level and rate again before they are combined.
    """
    if before is None:
        return Updated(found, 0.0)
    off = log(found.factor / before.factor)
    apart = off / hypot(before.u, found.u)
    if abs(apart) > JUMP_SIGMAS:
        return Updated(found, apart, jumped=True)
    run = (*before.run, apart)
    ran = any(len(run) >= n and abs(sum(run[-n:])) > RUN_SIGMAS * sqrt(n) for n in RUN_OF)
    level, rate = before.u**2, before.u_rate**2
    if ran:
        level, rate, run = level + STEP**2, rate + RATE_PRIOR**2, ()
    seen = level + found.u**2
    by_level, by_rate = level / seen, before.covariance / seen
    state = TitreState(
        factor=before.factor * exp(by_level * off),
        u=sqrt(level * found.u**2 / seen),
        u_reference=max(before.u_reference, found.u_reference),
        rate=before.rate + by_rate * off,
        u_rate=sqrt(max(0.0, rate - by_rate * before.covariance)),
        covariance=before.covariance * found.u**2 / seen,
        run=run[-(max(RUN_OF) - 1) :],
    )
    return Updated(state, apart, ran=ran)
