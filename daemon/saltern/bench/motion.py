"""One motion of a pump: permitted while scans pass, bounded by a computed time, and booked however it ends."""

from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from math import inf

from saltern.bench import bookkeeping
from saltern.bench.account import Account
from saltern.bench.at_rest import AtRest
from saltern.bench.gate import Gate
from saltern.bench.guard import Guard
from saltern.bench.machine import Machine
from saltern.bench.under_way import UnderWay
from saltern.bench.waiting import Waiting
from saltern.bench.witness import MotionRecord, Witness
from saltern.errors import MotionError
from saltern.model.ledger import Interval
from saltern.model.usage import Usage
from saltern.ports import Clock, Direction, DriverError, Progress

NOTHING_LEFT = 1e-9
"""Native units; what rounding leaves of a motion that was asked for in parts."""

SHORT = {"steps": 0.5, "s": 0.25}
"""A motion that ends so much short of what was asked, in native units, did not end by itself: half a step, and what a
timed drive's clock and scans leave open (`tests/drivers/test_pumps.py`)."""


@dataclass(frozen=True)
class Doubted:
    """What a pump was asked to move, and may not have moved."""

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
        gate: Gate,
        waiting: Waiting,
        under_way: UnderWay,
        account: Account,
        at_rest: AtRest,
    ) -> None:
        self._machine = machine
        self._clock = clock
        self._guard = guard
        self._gate = gate
        self._waiting = waiting
        self._under_way = under_way
        self._account = account
        self._at_rest = at_rest
        self.doubted: dict[str, Doubted] = {}  # by pump, since somebody last cleared it
        self.turned: dict[str, Usage] = {}  # since somebody last took it from here
        self.last: MotionRecord | None = None

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
            record = self._one(role, part, direction, until)
            moved = self._moved_ml(record)
            least_ml, most_ml, seconds = least_ml + moved.low, most_ml + moved.high, seconds + record.took_s
            if record.ended_early:
                break
            self._check_complete(record)
            left -= part
        return Turned(Interval(least_ml, most_ml), seconds)

    def coast(self, role: str, units: float, kicked_s: float) -> MotionRecord:
        """Turn a pump whose permit is kicked for so long and no more: its drive goes on, and its supply must not.

        A board that has drive and permit in one says that it missed the kicks: that is what was wanted.

        Raises
        ------
        InterlockError
            An interlock forbade or stopped it.
        """
        try:
            return self._one(role, units, Direction.FORWARD, lambda: False, kicked_s)
        except DriverError:
            if self.last is None or self.last.counted.at_least <= 0.0:  # it gave nothing that is known
                raise
            return self.last

    def _one(
        self,
        role: str,
        amount: float,
        direction: Direction,
        until: Callable[[], bool],
        kicked_s: float = inf,
    ) -> MotionRecord:
        """Turn a pump once, and enter what that moved in the ledger however it ends."""
        drive, permit = self._machine.devices.pumps[role], self._machine.devices.permits[role]
        self._gate.demand_motion(role)
        self._guard.demand(role)
        self._waiting.heed()
        self._at_rest.liquid_moves()
        begun_s = self._clock.monotonic()
        ended_early = False
        self._under_way.begin(role, begun_s, amount / drive.rate)
        witness = Witness(self._machine.lapse_s(role), drive.rate, begun_s)
        try:
            with ExitStack() as both:  # the drive, then the permit; one that fails does not keep the other
                both.callback(permit.drop)
                both.callback(drive.halt)
                permit.kick()
                drive.start(amount, direction)
                while (progress := drive.progress()).running:
                    kicks = self._clock.monotonic() - begun_s < kicked_s
                    if kicks:
                        witness.kicked(self._clock.monotonic(), progress.at_most)
                    self._waiting.tick()
                    if role in self._guard.scan((role,) if kicks else ()):
                        break
                    self._waiting.heed()
                    if until():
                        ended_early = True
                        break
        finally:  # whatever ended it, what has moved is in the vessel
            self._under_way.end(role)
            record = self._record(witness, role, amount, direction, ended_early=ended_early)
            self._book(record)
        if role in self._guard.cut:
            self._guard.demand(role)
        return record

    def _record(
        self, witness: Witness, role: str, asked: float, direction: Direction, *, ended_early: bool
    ) -> MotionRecord:
        now_s = self._clock.monotonic()
        try:
            progress = self._machine.devices.pumps[role].progress()
        except DriverError as error:  # an unknown count is anything from none to all
            progress = Progress(False, 0.0, asked, f"its count cannot be read: {error.what}")
        at_last_kick = witness.counted
        witness.kicked(now_s, progress.at_most)
        self.last = MotionRecord(
            role,
            direction,
            asked,
            progress,
            now_s - witness.begun_s,
            witness.permitted_s,
            witness.longest_gap_s,
            witness.unwitnessed,
            at_last_kick,
            ended_early,
        )
        return self.last

    def _moved_ml(self, record: MotionRecord) -> Interval:
        """Return what a motion moved, by the calibration and its uncertainty."""
        ml, gain_u = self._machine.pump(record.role).ml_per_unit, self._machine.gain_u(record.role)
        return Interval(record.least * ml * (1.0 - gain_u), record.most * ml * (1.0 + gain_u))

    def _book(self, record: MotionRecord) -> None:
        """Enter a motion in the ledger, and among the hours and litres of its tube.

        Forward, the most is what the energised permit could have moved. Backward, it is what a pump adds with a dead
        direction wire.
        """
        machine, account, role = self._machine, self._account, record.role
        moved_ml, ml, gain_u = self._moved_ml(record), machine.pump(role).ml_per_unit, machine.gain_u(role)
        usage = self.turned.get(role, Usage())
        self.turned[role] = usage.plus(record.took_s, 0.5 * (moved_ml.low + moved_ml.high))
        most_ml = moved_ml.high
        if record.direction is Direction.FORWARD:
            energised = (record.took_s + machine.lapse_s(role)) * machine.devices.pumps[role].rate
            most_ml = max(record.most, energised) * ml * (1.0 + gain_u)
            if role != "waste":
                account.filled_ml += record.least * ml
        if role == "sample":
            account.ledger = bookkeeping.sample_added(account.ledger, 0.0, most_ml)
        elif role == "titrant":
            account.ledger = bookkeeping.titrant_added(account.ledger, 0.0, most_ml)

    def _check_complete(self, record: MotionRecord) -> None:
        """Raise where a motion ended short; one that was given whole, and is not vouched for whole, is noted."""
        role, asked, counted = record.role, record.asked, record.counted
        unit = self._machine.devices.pumps[role].unit
        enough, short = SHORT[unit], asked - counted.at_least
        if short > enough and not (counted.doubt and asked - counted.at_most <= enough):
            raise MotionError(
                f"the {role} pump may have stopped {short:.3g} {unit} short of {asked:.6g}"
                f"{': ' if counted.doubt else ''}{counted.doubt}",
                where=f"{self._machine.config.name}, pumps.{role}",
                remedy="Check the drive's supply and wiring, and what else this computer does",
            )
        if record.doubt:
            missing_ml = max(0.0, asked - record.least) * self._machine.pump(role).ml_per_unit
            doubted = Doubted(missing_ml, record.doubt)
            self.doubted[role] = self.doubted[role].plus(doubted) if role in self.doubted else doubted
