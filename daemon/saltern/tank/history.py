"""What is known of a tank: results, doses, water changes, references. Values that the models of this package read.

Alkalinity is in dKH, times are days: a whole number is a midnight where the tank is.
"""

from dataclasses import dataclass, replace

SAYS_NOTHING_DKH = 20.0


@dataclass(frozen=True)
class Seen:
    """One reportable result.

    Parameters
    ----------
    at_d
        When the sample was drawn.
    dkh, u_own_dkh
        The value, and the standard uncertainty that it shares with no other.
    e0_mv, u_e0_mv
        The electrode's offset as this titration fitted it, and its own uncertainty; None if the method fits none.
    """

    at_d: float
    dkh: float
    u_own_dkh: float
    e0_mv: float | None = None
    u_e0_mv: float = 0.05


@dataclass(frozen=True)
class Dose:
    """Something by hand that raises alkalinity by `dkh` in the volume that the keeper states."""

    at_d: float
    dkh: float


@dataclass(frozen=True)
class Doser:
    """From then on so much a day, evenly, in the volume that the keeper states."""

    at_d: float
    dkh_per_day: float


@dataclass(frozen=True)
class WaterChange:
    """Part of the water was replaced; `dkh` is what went in, None if nobody knows."""

    at_d: float
    part: float
    dkh: float | None = None
    u_dkh: float = 0.3


@dataclass(frozen=True)
class Reference:
    """A reference was measured: found over true, less one; `u` is of this comparison alone."""

    at_d: float
    excess: float
    u: float


@dataclass(frozen=True)
class Factor:
    """From then on results come from another factor.

    Parameters
    ----------
    at_d, u
        When, and its relative standard uncertainty.
    moved
        By how much results moved with it, relative, where the same titrant and pumps go on: then that is all that is
        new, and what was known of the old factor's error goes on. None where nothing is known in common.
    course_per_day
        By how much the factor itself goes on to move results, relative: a standardised bench follows its drift.
    """

    at_d: float
    u: float
    moved: float | None = None
    course_per_day: float = 0.0


@dataclass(frozen=True)
class History:
    """All of it, each in the order of time."""

    seen: tuple[Seen, ...] = ()
    doses: tuple[Dose, ...] = ()
    doser: tuple[Doser, ...] = ()
    water_changes: tuple[WaterChange, ...] = ()
    references: tuple[Reference, ...] = ()
    factors: tuple[Factor, ...] = ()

    def until(self, at_d: float) -> "History":
        """Return what was known at a moment."""
        return History(*(tuple(each for each in kind if each.at_d <= at_d) for kind in self._kinds))

    def since(self, at_d: float) -> "History":
        """Return what happened from a moment on; a doser's setting and a factor in force then are kept."""
        states = (self.doser, self.factors)
        kept = []
        for kind in self._kinds:
            late = tuple(each for each in kind if each.at_d >= at_d)
            early = [each for each in kind if each.at_d < at_d] if kind in states else []
            kept.append((*early[-1:], *late))
        return History(*kept)

    def without(self, at_d: float) -> "History":
        """Return it with the result of a moment as one that says nothing; its sample was drawn all the same."""
        return replace(
            self,
            seen=tuple(
                replace(each, u_own_dkh=SAYS_NOTHING_DKH, e0_mv=None) if each.at_d == at_d else each
                for each in self.seen
            ),
        )

    def without_offsets(self) -> "History":
        """Return it without the electrode's offsets.

        A volume that drifts moves the offset by less in a week than an electrode wanders in a day, so that values gain
        nothing by it; and one that is knocked by some millivolts would be taken for a volume that is wrong by as many
        tenths of a percent. Findings weigh it against the tank.
        """
        return replace(self, seen=tuple(replace(each, e0_mv=None) for each in self.seen))

    @property
    def _kinds(self) -> tuple[tuple, ...]:  # type: ignore[type-arg]
        return (self.seen, self.doses, self.doser, self.water_changes, self.references, self.factors)


@dataclass(frozen=True)
class Priors:
    """What the keeper says of the tank, and what is assumed of it where nobody knows.

    Parameters
    ----------
    volume_u, doser_u
        Relative standard uncertainties (k = 1) of the tank's volume, and of what is dosed.
    hand_u
        Of one dose by hand, beside those.
    sample_part
        Of the tank's volume that a determination takes; with fresh water in its place it dilutes.
    top_up_fresh
        Whether that is so.
    factor_u
        Relative standard uncertainty of the first factor, if no other is said.
    factor_drift_u
        Relative drift of the factor that is allowed for, a day (k = 1; assumed: 0.6 % a month).
    factor_walk_u, factor_turn_u
        By how much the factor moves by chance in the square root of a day, and by how much its drift does (k = 1).
    common_u
        What all results are off by, relative, that no reference shows: the bottle's own error, and what the water of
        the tank has that the reference has not (k = 1).
    wander_days
        How long a wander of the consumption lasts (assumed; two days).
    growth
        How much the mean consumption may change in the square root of a day, dKH/day (assumed).
    electrode_wander_mv
        How much the electrode's own offset may change in the square root of a day (assumed; k = 1).
    swing_dkh_per_day
        Of the consumption with the light: amplitudes once, twice and three times a day that are usual (assumed; k = 1).
    """

    volume_u: float = 0.015
    doser_u: float = 0.01
    hand_u: float = 0.01
    sample_part: float = 0.0
    top_up_fresh: bool = True
    factor_u: float = 0.006
    factor_drift_u: float = 0.0002
    factor_walk_u: float = 0.0
    factor_turn_u: float = 0.0
    common_u: float = 0.0
    wander_days: float = 2.0
    growth: float = 0.005
    electrode_wander_mv: float = 0.3
    swing_dkh_per_day: tuple[float, float, float] = (0.5, 0.15, 0.1)
