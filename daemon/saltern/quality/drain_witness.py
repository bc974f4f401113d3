"""A drain tells how much was in the vessel: the waste pump's time until the cell falls dry, against the usual.

Nothing else watches the level between cell and float. Sample that ran out through a pump's head, at rest or while it
was titrated, is missing when it is drained; so is a fill that was weak. A waste tube wears over many drains.
"""

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field

from saltern.chemistry.endpoint.curve import Finding
from saltern.quality.history import LEAST_RESULTS, MOST_RESULTS, limit, usual_of

DRAIN_FLOOR = 0.02
"""Least scatter believed of a waste pump from drain to drain, relative (assumed)."""

EVAPORATES_ML_PER_DAY = 5.0
"""At most, of the water that keeps the probes wet (assumed: an open vessel of 20 cm2 in a dry room)."""

CODE = "drained-volume-differs"


@dataclass(frozen=True)
class DrainSeen:
    """A drain that was proved.

    Parameters
    ----------
    kind
        What was drained, in words; drains of one kind are held against each other.
    share
        The time until the cell was dry, over what the volume that was pumped in needs by the bench file.
    above_ml
        That volume, less what stands below the cell's tip.
    """

    kind: str
    share: float
    above_ml: float


@dataclass
class UsualDrains:
    """What drains of each kind usually are, as long as this process has seen them."""

    seen: dict[str, deque[float]] = field(default_factory=dict)
    learned_s: float | None = None  # when it last learned, monotonic

    def against(self, drains: Iterable[DrainSeen], begun_s: float) -> tuple[Finding, ...]:
        """Judge the drains of a run that began at a monotonic time; water that stood for long has evaporated."""
        found = []
        rested_d = 0.0 if self.learned_s is None else (begun_s - self.learned_s) / 86400.0
        for drain in drains:
            past = self.seen.get(drain.kind, ())
            if len(past) < LEAST_RESULTS:
                continue
            usual, scatter = usual_of(list(past), 0.0)
            scatter = max(scatter / usual, DRAIN_FLOOR)
            may_lack = EVAPORATES_ML_PER_DAY * rested_d / drain.above_ml
            beyond = max(drain.share / usual - 1.0, 1.0 - may_lack - drain.share / usual, 0.0)
            percent = 100.0 * (drain.share / usual - 1.0)
            about = f"{drain.kind} took {percent:+.0f} % of the time that it usually takes until the cell is dry"
            found.append(Finding(CODE, beyond / scatter, limit(), about))
        return tuple(found)

    def learn(self, drains: Iterable[DrainSeen], ended_s: float) -> None:
        """Take up those of a run that was believed, and that ended at a monotonic time."""
        self.learned_s = ended_s
        for drain in drains:
            self.seen.setdefault(drain.kind, deque(maxlen=MOST_RESULTS)).append(drain.share)
