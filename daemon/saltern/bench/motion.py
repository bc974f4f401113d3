"""One motion of a pump: permitted while scans pass, bounded by a computed time, and booked however it ends."""

from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass

from saltern.bench import ledger as books
from saltern.bench.account import Account
from saltern.bench.at_rest import AtRest
from saltern.bench.guard import Guard
from saltern.bench.machine import Machine
from saltern.bench.under_way import UnderWay
from saltern.bench.waiting import Waiting
from saltern.errors import MotionError
from saltern.model.ledger import Interval
from saltern.model.usage import Usage
from saltern.ports import Clock, Direction, Progress

NOTHING_LEFT = 1e-9
"""Native units; what rounding leaves of a motion that was asked for in parts."""

SHORT = {"steps": 0.5, "s": 0.25}
"""A motion that ends so much short of what was asked, in native units, did not end by itself: half a step, and what a
timed drive's clock and scans leave open (`tests/drivers/test_pumps.py`)."""


@dataclass(frozen=True)
class Doubted:
    """What a pump was told to move, and may not have moved."""

    most_ml: float
    why: str

    def plus(self, other: "Doubted") -> "Doubted":
        return Doubted(self.most_ml + other.most_ml, other.why)


@dataclass(frozen=True)
class Turned:
    """What a turn of a pump moved, mL, and how long it took."""

    moved_ml: Interval
    seconds: float


class Motion:
    """Turns pumps, one at a time."""

    def __init__(
        self,
        machine: Machine,
        clock: Clock,
        guard: Guard,
        waiting: Waiting,
        under_way: UnderWay,
        account: Account,
        at_rest: AtRest,
    ) -> None:
        self._machine = machine
        self._clock = clock
        self._guard = guard
        self._waiting = waiting
        self._under_way = under_way
        self._account = account
        self._at_rest = at_rest
        self.doubted: dict[str, Doubted] = {}  # by pump, since somebody last cleared it
        self.turned: dict[str, Usage] = {}  # since somebody last took it from here

    def turn(
        self,
        role: str,
        units: float,
        direction: Direction = Direction.FORWARD,
        until: Callable[[], bool] = lambda: False,
    ) -> Turned:
        """Turn a pump by native units, in motions that its drive accepts, or until something is seen.

        Raises
        ------
        InterlockError
            An interlock forbade or stopped it.
        MotionError
            The drive stopped short. What it gave and does not vouch for is in `doubted`.
        """
        drive = self._machine.devices.pumps[role]
        least_ml = most_ml = seconds = 0.0
        left = units
        while left > NOTHING_LEFT:
            part = min(left, drive.longest)
            if drive.unit == "steps" and round(part) < 1:
                break
            progress, moved, took_s, ended_early = self._one(role, part, direction, until)
            least_ml, most_ml, seconds = least_ml + moved.low, most_ml + moved.high, seconds + took_s
            if ended_early:
                break
            self._check_complete(role, part, progress)
            left -= part
        return Turned(Interval(least_ml, most_ml), seconds)

    def _one(
        self, role: str, amount: float, direction: Direction, until: Callable[[], bool]
    ) -> tuple[Progress, Interval, float, bool]:
        """Turn a pump once, and enter what that moved in the ledger however it ends."""
        drive, permit = self._machine.devices.pumps[role], self._machine.devices.permits[role]
        self._guard.demand(role)
        self._waiting.heed()
        self._at_rest.liquid_moves()
        begun_s = self._clock.monotonic()
        ended_early = False
        self._under_way.begin(role, begun_s, amount / drive.rate)
        try:
            with ExitStack() as both:  # the drive, then the permit; one that fails does not keep the other
                both.callback(permit.drop)
                both.callback(drive.halt)
                permit.kick()
                drive.start(amount, direction)
                while drive.progress().running:
                    self._waiting.tick()
                    if role in self._guard.scan((role,)):
                        break
                    self._waiting.heed()
                    if until():
                        ended_early = True
                        break
        finally:  # whatever ended it, what has moved is in the vessel
            self._under_way.end(role)
            progress, took_s = drive.progress(), self._clock.monotonic() - begun_s
            moved_ml = self._book(role, progress, took_s, direction)
        if role in self._guard.cut:
            self._guard.demand(role)
        return progress, moved_ml, took_s, ended_early

    def _book(self, role: str, progress: Progress, took_s: float, direction: Direction) -> Interval:
        """Enter a motion in the ledger, and among the hours and litres of its tube; return what it moved, mL."""
        machine, account = self._machine, self._account
        ml, gain_u = machine.pump(role).ml_per_unit, machine.gain_u(role)
        moved_ml = Interval(progress.at_least * ml * (1.0 - gain_u), progress.at_most * ml * (1.0 + gain_u))
        self.turned[role] = self.turned.get(role, Usage()).plus(took_s, 0.5 * (moved_ml.low + moved_ml.high))
        if direction is Direction.REVERSE:
            return moved_ml
        energised = (took_s + machine.devices.permits[role].lapse_s) * machine.devices.pumps[role].rate
        most_ml = max(progress.at_most, energised) * ml * (1.0 + gain_u)
        if role != "waste":
            account.filled_ml += progress.at_least * ml
        if role == "sample":
            account.ledger = books.sample_added(account.ledger, 0.0, most_ml)
        elif role == "titrant":
            account.ledger = books.titrant_added(account.ledger, 0.0, most_ml)
        return moved_ml

    def _check_complete(self, role: str, asked: float, progress: Progress) -> None:
        """Raise where a motion ended short; one that was given whole, and is not vouched for whole, is noted."""
        unit = self._machine.devices.pumps[role].unit
        enough, short = SHORT[unit], asked - progress.at_least
        if progress.doubt and asked - progress.at_most <= enough:
            doubted = Doubted(short * self._machine.pump(role).ml_per_unit, progress.doubt)
            self.doubted[role] = self.doubted[role].plus(doubted) if role in self.doubted else doubted
        elif short > enough:
            raise MotionError(
                f"the {role} pump may have stopped {short:.3g} {unit} short of {asked:.6g}"
                f"{': ' if progress.doubt else ''}{progress.doubt}",
                where=f"{self._machine.config.name}, pumps.{role}",
                remedy="Check the drive's supply and wiring, and what else this computer does",
            )
