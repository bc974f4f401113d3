"""A drain shows how much was in the vessel: the waste pump's time until the cell falls dry.

Nothing else watches the level between cell and float. Two drains of one run are held against each other, so that the
waste pump's own gain does not matter: that of the water that stood since the last run, and that of the titrated sample.
What ran out through a pump's head at rest is missing in the one, what ran out while it was titrated in the other.
"""

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field

from saltern.chemistry.endpoint.curve import Finding
from saltern.quality.history import LEAST_RESULTS, MOST_RESULTS, limit, usual_of

STOOD, TITRATED = "empty", "empty after titration"
"""In the words of their phases."""

DRAIN_FLOOR = 0.02
"""Least scatter assumed of two drains against each other, relative (assumed; simulated ones scatter by 1 to 2 %)."""

EVAPORATES_ML_PER_DAY = 5.0
"""At most, of the water that keeps the probes wet (assumed: an open vessel of 20 cm2 in a dry room)."""

CODE = "drained-volume-differs"


@dataclass(frozen=True)
class DrainSeen:
    """A drain that was proved.

    Parameters
    ----------
    phase
        In which, in words.
    share
        The time until the cell was dry, over what the volume that was pumped in needs by the bench file.
    above_ml
        That volume, less what stands below the cell's tip.
    """

    phase: str
    share: float
    above_ml: float


@dataclass
class UsualDrains:
    """What the one drain usually is over the other, by the mL that stood, as long as this process has seen them.

    After `empty` or a rinse by hand another volume stands, and the cell's height, which is set with a rule, counts
    otherwise in it: it is not held against the usual one.
    """

    seen: dict[int, deque[float]] = field(default_factory=dict)
    learned_s: float | None = None  # when it last learned, monotonic

    def against(self, drains: Sequence[DrainSeen], begun_s: float) -> tuple[Finding, ...]:
        """Judge the drains of a run that began at a monotonic time; water that stood for long has evaporated."""
        both = _both(drains)
        if both is None:
            return ()
        stood, titrated = both
        past = self.seen.get(round(stood.above_ml), ())
        if len(past) < LEAST_RESULTS:
            return ()
        usual, scatter = usual_of(list(past), 0.0)
        off = stood.share / titrated.share / usual - 1.0
        rested_d = 0.0 if self.learned_s is None else (begun_s - self.learned_s) / 86400.0
        beyond = max(off, -off - EVAPORATES_ML_PER_DAY * rested_d / stood.above_ml, 0.0)
        about = (
            f"against the titrated sample, what stood in the vessel took {100.0 * off:+.0f} % of its usual time until "
            "the cell was dry: liquid ran through a pump's head, or a fill was weak"
        )
        return (Finding(CODE, beyond / max(scatter / usual, DRAIN_FLOOR), limit(), about),)

    def learn(self, drains: Sequence[DrainSeen], ended_s: float) -> None:
        """Take up those of a run that was reportable, and that ended at a monotonic time."""
        both = _both(drains)
        if both is not None:
            past = self.seen.setdefault(round(both[0].above_ml), deque(maxlen=MOST_RESULTS))
            past.append(both[0].share / both[1].share)
            self.learned_s = ended_s


def _both(drains: Sequence[DrainSeen]) -> tuple[DrainSeen, DrainSeen] | None:
    stood, titrated = ([drain for drain in drains if drain.phase == phase] for phase in (STOOD, TITRATED))
    return (stood[0], titrated[0]) if stood and titrated else None
