"""The record of a motion, and what witnessed it: a drive counts, and its permit says whether the pump had its supply.

A drive that counts by a clock, or on its own board, counts on when the permit has lapsed. So least and most that moved
come from both: what was counted, less what was counted while the permit may have lapsed.
"""

from dataclasses import dataclass, field

from saltern.ports import Direction, Progress

SURELY_LASTS = 0.5
"""Of its stated time a permit surely lasts so much: a one-shot's resistor and capacitor, aged and cold (assumed)."""


@dataclass(frozen=True)
class MotionRecord:
    """One motion. Amounts are in the drive's native units."""

    role: str
    direction: Direction
    asked: float
    counted: Progress
    took_s: float
    permitted_s: float  # for so long its supply was held, by the permit's stated lapse
    longest_gap_s: float  # between two kicks
    unwitnessed: float  # counted while the permit may have lapsed
    at_last_kick: float  # counted when the permit was kicked last
    ended_early: bool = False  # by what was watched for

    @property
    def least(self) -> float:
        return max(0.0, self.counted.at_least - self.unwitnessed)

    @property
    def most(self) -> float:
        return self.counted.at_most

    @property
    def doubt(self) -> str:
        """Why not all that was counted is vouched for; empty where it is."""
        if self.unwitnessed <= 0.0:
            return self.counted.doubt
        stalled = f"{self.longest_gap_s:.1f} s passed between two scans, and the run-permit may have lapsed meanwhile"
        return f"{self.counted.doubt}; {stalled}" if self.counted.doubt else stalled


@dataclass
class Witness:
    """Watches one motion: it hears of each kick of the permit, and what the drive had counted then."""

    lapse_s: float
    rate: float
    begun_s: float
    permitted_s: float = 0.0
    longest_gap_s: float = 0.0
    unwitnessed: float = 0.0
    _kicked_s: float = field(init=False)
    counted: float = 0.0  # when it last heard

    def __post_init__(self) -> None:
        self._kicked_s = self.begun_s

    def kicked(self, now_s: float, counted: float) -> None:
        """Take note of a kick, or of the motion's end."""
        gap_s, grown = now_s - self._kicked_s, counted - self.counted
        self._kicked_s, self.counted = now_s, counted
        self.permitted_s += min(gap_s, self.lapse_s)
        self.longest_gap_s = max(self.longest_gap_s, gap_s)
        surely_s = SURELY_LASTS * self.lapse_s
        if gap_s > surely_s:
            self.unwitnessed += max(0.0, grown - self.rate * surely_s)
