"""Draining: the waste pump runs until the conductivity cell has gone from wet to dry, and a little longer."""

from contextlib import suppress
from dataclasses import dataclass, replace
from math import inf

from saltern.bench import bookkeeping
from saltern.bench.account import Account
from saltern.bench.at_rest import AtRest
from saltern.bench.commits import Commits
from saltern.bench.connections import Connections
from saltern.bench.guard import Guard
from saltern.bench.in_drain import InDrain
from saltern.bench.machine import Machine
from saltern.bench.motion import Motion
from saltern.bench.reading import Readings, as_ms_cm
from saltern.bench.waiting import RESTING_SCAN_S, Waiting
from saltern.errors import ReadingError
from saltern.ports import Clock, DeviceUnavailableError, DriverError, Probe

CELL_BACK_WITHIN_S = 900.0
"""A drain rests so long for a cell's board that has gone; longer, and acid should not stand at the probes (assumed)."""

DRAIN_TRIES = 3
"""A slug of air in the waste line costs one try; what three do not empty is blocked (assumed)."""

DRAIN_MARGIN, DRAIN_MARGIN_S = 1.3, 8.0
"""So much longer than the ledger's bound needs: a worn tube gives less, and a dry line must fill (assumed)."""

DRY_READINGS = 2
"""One dry reading may be a garbled answer or a bubble that passes."""

EARLIEST_DRY = 0.6
"""Of the time that what was pumped in needs: earlier, and the cell failed rather than fell dry. A new waste tube gives
up to a third more than its calibration at a small head (assumed)."""

TAIL_FACTOR, TAIL_S = 1.5, 1.0
"""What stands below the cell's tip is pumped on for so long; the vessel's floor is uneven, and the pump starts."""


@dataclass(frozen=True)
class Drained:
    """How a drain went."""

    proved: bool
    wet_seen: bool
    dry_after_s: float | None
    ran_s: float


class CellWatch:
    """Watches the conductivity cell while the waste pump runs, without waiting for it."""

    def __init__(
        self,
        probe: Probe,
        dry_ms_cm: float,
        clock: Clock,
        guard: Guard,
        earliest_s: float,
        in_drain: InDrain,
        *,
        may_rest: bool,
        wet_before: bool,
    ) -> None:
        self._probe = probe
        self._in_drain = in_drain
        self._dry_ms_cm = dry_ms_cm
        self._clock = clock
        self._guard = guard
        self._earliest_s = earliest_s
        self._may_rest = may_rest
        self._began_s = clock.monotonic()
        self._dry = 0
        self.lost = False  # its board has gone: the pump may rest until it is back
        self.wet_seen = wet_before
        self.dry_at_s: float | None = None

    def dried(self) -> bool:
        """Return whether the pump may stop: the cell, wet before, was dry `DRY_READINGS` times, or is out of sight."""
        try:
            self._probe.request()
            reading = self._probe.poll()
        except DriverError as error:
            gone = isinstance(error, DeviceUnavailableError)
            self.lost = gone and self._may_rest and self.wet_seen and not self._guard.tripped
            if self.lost:
                return True
            self._dry = 0  # a bad answer proves nothing, and is no reason to stop draining
            return False
        if reading is None:
            return False
        self._in_drain.cell_wet = as_ms_cm(reading) >= self._dry_ms_cm
        if self._in_drain.cell_wet:
            self._dry, self.wet_seen = 0, True
            return False
        self._dry += 1
        after_s = self._clock.monotonic() - self._began_s
        if self._dry == 1 and after_s < self._earliest_s:
            self.wet_seen = False  # dry too early: whatever the cell says now, it proves nothing any more
        if self.wet_seen and self._dry >= DRY_READINGS:
            self.dry_at_s = after_s
            return True
        return False

    def go_on(self, rested_s: float) -> None:
        """Watch on after a rest, in which nothing moved; after one that was in vain there is not another."""
        self.lost, self._dry = False, 0
        self._began_s += rested_s
        self._may_rest = rested_s < CELL_BACK_WITHIN_S


class Draining:
    """Empties the vessel, and knows whether that is proved."""

    def __init__(
        self,
        machine: Machine,
        clock: Clock,
        guard: Guard,
        waiting: Waiting,
        connections: Connections,
        readings: Readings,
        at_rest: AtRest,
        motion: Motion,
        account: Account,
        commits: Commits,
        in_drain: InDrain,
    ) -> None:
        self._machine = machine
        self._clock = clock
        self._guard = guard
        self._waiting = waiting
        self._connections = connections
        self._readings = readings
        self._at_rest = at_rest
        self._motion = motion
        self._account = account
        self._commits = commits
        self._in_drain = in_drain

    def drain(self, *, tries: int = DRAIN_TRIES, most_ml: float = inf) -> Drained:
        """Run the waste pump until the conductivity cell has gone from wet to dry, and a little longer.

        Empty is a transition: a cell that is dry from the start proves nothing.

        Parameters
        ----------
        tries
            It is tried so often.
        most_ml
            Each try moves at most so much before the cell has fallen dry.

        Raises
        ------
        InterlockError
            An interlock forbade or stopped it: a full container, the stop button, a float or tray that the drain wets.
        """
        account, noticed = self._account, self._guard.noticed
        rate_ml_s, units_s = self._machine.rate_ml_s("waste"), self._machine.devices.pumps["waste"].rate
        ran_s, wet_seen = 0.0, False
        # Emptying is the safe way: storage that fails does not forbid it. What was last committed then still holds
        # as an upper bound of the vessel, and additions are cut until a commit succeeds.
        self._commits.commit_if_possible(bookkeeping.drain_promised(account.ledger), "drain")
        settled = False
        self._guard.scan()
        self._in_drain.begin(self._guard.snapshot)
        try:
            for _ in range(tries):
                watch = self._watch(rate_ml_s)
                most_s = DRAIN_MARGIN * account.ledger.vessel_ml.high / rate_ml_s + DRAIN_MARGIN_S
                gone_ml, seconds = self._drain_watched(watch, min(most_s, most_ml / rate_ml_s) * units_s)
                ran_s += seconds
                wet_seen = wet_seen or watch.wet_seen
                if watch.dry_at_s is not None:
                    tail_s = self._tail_s(watch.dry_at_s, rate_ml_s)
                    self._motion.turn("waste", tail_s * units_s)
                    self._at_rest.proved_dry()
                    account.proved_empty(bookkeeping.proved_empty(account.ledger, self._machine.cell_ml))
                    noticed.drain_failed = noticed.drain_unproved = False
                    noticed.titrant_unanswered = noticed.mixing_slow = False
                    settled = True
                    return Drained(True, True, watch.dry_at_s, ran_s + tail_s)
                account.ledger = bookkeeping.drained(account.ledger, gone_ml)
                if not watch.wet_seen:
                    break
            settled = True
            account.filled_ml = 0.0  # what still stands there is not known any more
            noticed.drain_failed, noticed.drain_unproved = watch.wet_seen, not watch.wet_seen
            return Drained(False, wet_seen, None, ran_s)
        finally:
            self._in_drain.end()
            if not settled:  # cut short: all of it may have gone, and none
                account.ledger = bookkeeping.drained(account.ledger, account.ledger.vessel_ml.high)
                account.filled_ml = 0.0
            account.ledger = replace(account.ledger, stage=None)
            self._commits.commit_if_possible(account.ledger, "drain ended")

    def drain_unseen(self, most_ml: float) -> Drained:
        """Run the waste pump for so much, with a cell that says nothing: that the vessel is empty is not proved."""
        account, rate_ml_s = self._account, self._machine.rate_ml_s("waste")
        self._commits.commit_if_possible(bookkeeping.drain_promised(account.ledger), "drain unseen")
        self._guard.scan()
        self._in_drain.begin(self._guard.snapshot)
        try:
            turned = self._motion.turn("waste", most_ml / rate_ml_s * self._machine.devices.pumps["waste"].rate)
        finally:
            self._in_drain.end()
            account.filled_ml = 0.0
            account.ledger = replace(bookkeeping.drained(account.ledger, account.ledger.vessel_ml.high), stage=None)
            self._commits.commit_if_possible(account.ledger, "drain unseen ended")
        return Drained(False, False, None, turned.seconds)

    def _watch(self, rate_ml_s: float) -> CellWatch:
        earliest_s = EARLIEST_DRY * max(0.0, self._account.filled_ml - self._machine.cell_ml) / rate_ml_s
        wet_before = self._in_drain.cell_wet = self._readings.cell_is_wet()
        return CellWatch(
            self._machine.devices.probes["conductivity"],
            self._machine.config.probes.conductivity.dry_ms_cm,
            self._clock,
            self._guard,
            earliest_s,
            self._in_drain,
            may_rest=self._connections.may_return("conductivity"),
            wet_before=wet_before,
        )

    def _tail_s(self, dry_at_s: float, rate_ml_s: float) -> float:
        """Return how long the pump runs on once the cell is dry.

        A cell that failed just then looks dry too: what may have been in must have had its time to leave.
        """
        least_s = TAIL_FACTOR * self._machine.cell_ml / rate_ml_s + TAIL_S
        all_of_it_s = self._account.ledger.vessel_ml.high * (1.0 + self._machine.gain_u("waste")) / rate_ml_s
        return max(least_s, all_of_it_s - dry_at_s)

    def _drain_watched(self, watch: CellWatch, units: float) -> tuple[float, float]:
        """Run the waste pump until the cell falls dry, for so long at most; return the most mL, and seconds turned.

        Where the cell's board is lost in the middle, the pump rests until it is back: what is drained unseen is not
        proved, and a full vessel that is not proved takes no sample any more by which it could be. An overfull one is
        drained all the same, and any after `CELL_BACK_WITHIN_S`.
        """
        most_ml = turned_s = 0.0
        while True:
            left = units - turned_s * self._machine.devices.pumps["waste"].rate
            turned = self._motion.turn("waste", left, until=watch.dried)
            most_ml, turned_s = most_ml + turned.moved_ml.high, turned_s + turned.seconds
            if not watch.lost:
                return most_ml, turned_s
            watch.go_on(rested_s=self._wait_for_the_cell())

    def _wait_for_the_cell(self) -> float:
        """Wait until the cell's board is back, pumps at rest, for `CELL_BACK_WITHIN_S` at most; return for how long."""
        begun_s = self._clock.monotonic()
        while (rested_s := self._clock.monotonic() - begun_s) < CELL_BACK_WITHIN_S and not self._guard.tripped:
            self._waiting.wait(RESTING_SCAN_S)
            with suppress(ReadingError):
                self._readings.conductivity_ms_cm()
                return self._clock.monotonic() - begun_s
        return rested_s

    def draw_down(self, seconds: float) -> None:
        """Run the waste pump at its fixed tip for so long: what stands above the tip goes, whatever it was.

        The ledger keeps its upper bound: that it went is not proved.
        """
        account, tip = self._account, self._machine.devices.selectors["draw_down"]
        self._commits.commit_if_possible(bookkeeping.drain_promised(account.ledger), "draw down")
        try:
            tip.select(True)
            turned = self._motion.turn("waste", seconds * self._machine.devices.pumps["waste"].rate)
            account.ledger = bookkeeping.drained(account.ledger, turned.moved_ml.high)
        finally:
            tip.select(False)
            account.ledger = replace(account.ledger, stage=None)
            self._commits.commit_if_possible(account.ledger, "draw down ended")
