"""The titre factor tracked over standardisations: a Kalman filter of one state.

Tubes wear and titrant changes between standardisations; each standardisation sees the factor through the scatter of
its replicates. What the reference itself is uncertain by is common to all made with it, and no number of them takes it
away: it is carried beside the state.
"""

from dataclasses import dataclass
from math import hypot, sqrt

JUMP_SIGMAS = 4.0
DAYS_A_MONTH = 30.0


@dataclass(frozen=True)
class TitreState:
    """The factor as it is believed: its value, its own relative uncertainty, and that of the references behind it."""

    factor: float
    u: float  # of the state, relative
    u_reference: float  # relative

    @property
    def u_percent(self) -> float:
        return 100.0 * hypot(self.u, self.u_reference)


def aged(state: TitreState, days: float, drift_percent_per_month: float) -> TitreState:
    """Let time pass: the factor may have drifted either way, rectangular (as in the uncertainty budget)."""
    drift = drift_percent_per_month / 100.0 * max(0.0, days) / DAYS_A_MONTH / sqrt(3.0)
    return TitreState(state.factor, hypot(state.u, drift), state.u_reference)


def updated(before: TitreState | None, found: TitreState) -> tuple[TitreState, float]:
    """Combine what was believed with what a standardisation found.

    Parameters
    ----------
    before
        Aged to today; None where nothing earlier counts.
    found
        By this standardisation alone.

    Returns
    -------
    tuple
        The state, and how far the two were apart in their standard uncertainties. Beyond `JUMP_SIGMAS` something has
        changed, and the new one counts alone.
    """
    if before is None:
        return found, 0.0
    apart = (found.factor / before.factor - 1.0) / hypot(before.u, found.u)
    if abs(apart) > JUMP_SIGMAS:
        return found, apart
    weight = before.u**2 / (before.u**2 + found.u**2)
    factor = before.factor + weight * (found.factor - before.factor)
    return TitreState(factor, sqrt(1.0 - weight) * before.u, max(before.u_reference, found.u_reference)), apart
