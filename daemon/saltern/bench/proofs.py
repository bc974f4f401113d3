"""Proofs by trial: a permit with no drive, and a drive with no permit, must move nothing."""

from collections.abc import Callable
from dataclasses import replace

from saltern.bench import bookkeeping
from saltern.bench.account import Account
from saltern.bench.adding import Adding
from saltern.bench.commits import Commits
from saltern.bench.draining import Draining
from saltern.bench.gate import Gate
from saltern.bench.guard import Guard
from saltern.bench.machine import Machine
from saltern.bench.reading import STILL_MV, Readings
from saltern.bench.under_way import UnderWay
from saltern.bench.waiting import Waiting
from saltern.errors import MotionError, SalternError
from saltern.ports import Clock, Direction

TITRANT_PROOF_S = 3.0
"""A titrant pump gives 0.1 mL or more in it, which moves the electrode by more than `STILL_MV` (assumed)."""

SHOW_LAGS = 3.0
"""Time constants of the electrode that are waited: 95 % of a step shows then."""

SHOW_MARGIN, SHOW_S = 1.3, 1.0
"""A shorted pump is waited for so much longer than it needs to wet or dry the cell: gain, residue, slope (assumed)."""

FALLS_S = 0.5
"""The last drops fall, and the cell sees them."""


class Proofs:
    """Proves each pump at rest and each permit's cut, in the state of the vessel in which liquid would show.

    Sample in a drained vessel, where the dry cell would be wetted; waste just after a small fill, where the wet cell
    would fall dry; titrant in standing sample, where the electrode's signal would jump.
    """

    def __init__(
        self,
        machine: Machine,
        clock: Clock,
        guard: Guard,
        gate: Gate,
        waiting: Waiting,
        readings: Readings,
        under_way: UnderWay,
        account: Account,
        commits: Commits,
        draining: Draining,
        adding: Adding,
    ) -> None:
        self._machine = machine
        self._clock = clock
        self._guard = guard
        self._gate = gate
        self._waiting = waiting
        self._readings = readings
        self._under_way = under_way
        self._account = account
        self._commits = commits
        self._draining = draining
        self._adding = adding

    def prove_permit(self, role: str) -> None:
        """Energise one permit with no drive, for as long as a shorted drive would need to show itself.

        Raises
        ------
        MotionError
            Liquid moved.
        """
        if self._moves_twice(role, f"permit of {role}", self.energise):
            self._guard.trip("liquid_unasked")
            raise MotionError(
                f"liquid moved though the {role} pump's drive was at rest",
                where=f"{self._machine.config.name}, pumps.{role}",
                remedy="Its transistor or driver is shorted: take the bench off its supply and replace it",
            )

    def prove_cut(self, role: str) -> None:
        """Drive one pump with its permit dropped: nothing may move.

        Raises
        ------
        MotionError
            Liquid moved: the permit does not cut.
        """
        if self._moves_twice(role, f"cut of {role}", self.drive_unpermitted):
            self._guard.trip("permit_failed")
            raise MotionError(
                f"the {role} pump turned though its permit was dropped",
                where=f"{self._machine.config.name}, pumps.{role}.permit",
                remedy="Repair its one-shot or the switch that it holds: nothing would stop this pump if the host hung",
            )

    def _moves_twice(self, role: str, name: str, act: Callable[[str, float], None]) -> bool:
        """Return whether something that must move nothing did so, by two witnesses.

        One sensor that errs once must latch nothing. The electrode is let come to rest, and asked again: a slow one
        still follows what was before. The cell is seen to fall dry in a drain, or wetted by a fill, and asked again:
        its plug may have been loose.

        Raises
        ------
        MotionError
            It seemed so once, and there is no second witness yet.
        """
        if not self._liquid_moves(role, name, act):
            return False
        if not self._as_before(role):
            raise MotionError(
                f"the conductivity cell says that liquid moved in the proof of the {name}, and nothing else says so",
                where=f"{self._machine.config.name}, pumps.{role}",
                remedy="It is asked again with the next determination; check the cell's plug, and that no pump turns",
            )
        return self._liquid_moves(role, name, act)

    def _as_before(self, role: str) -> bool:
        """Bring the vessel into the state of the proof again, and return whether that is seen."""
        if role == "titrant":
            self._stir_and_rest()
            return True
        if role == "sample":
            return self._draining.drain().proved
        again_ml = self._account.filled_ml
        with self._adding.stage("wet the cell again", sample_ml=again_ml):
            self._adding.add("sample", again_ml)
        self._waiting.wait(FALLS_S)
        return self._readings.cell_is_wet()

    def _stir_and_rest(self) -> None:
        """Let the electrode come to rest in stirred sample."""
        self._machine.devices.stirrer.set_speed(self._machine.config.stirrer.titrate_speed)
        self._readings.wait_for_rest_mv(SHOW_LAGS * self._machine.config.probes.ph.lag_s)

    def _liquid_moves(self, role: str, name: str, act: Callable[[str, float], None]) -> bool:
        """Do something to a pump that must move nothing, and return whether it did.

        What could move is promised to the ledger, and stays in it if it did.
        """
        self._gate.demand_motion(role)
        machine, account = self._machine, self._account
        seconds, lapse_s = self._proof_s(role), machine.lapse_s(role)
        may_move_ml = machine.rate_ml_s(role) * (seconds + lapse_s) * (1.0 + machine.gain_u(role))
        sample_ml, titrant_ml = (may_move_ml if role == adds else 0.0 for adds in ("sample", "titrant"))
        settle_s = SHOW_LAGS * machine.config.probes.ph.lag_s if role == "titrant" else 0.0
        if role == "titrant":
            machine.devices.stirrer.set_speed(machine.config.stirrer.titrate_speed)
            self._waiting.wait(settle_s)
        before, wet = account.ledger, self._readings.cell_is_wet()
        emf_mv = self._readings.steady_emf_mv() if role == "titrant" else 0.0
        promised = bookkeeping.promised(before, name, sample_ml, titrant_ml)
        self._commits.promise(promised, name)
        account.ledger = replace(promised, stage=None)  # until it is seen that nothing moved
        try:
            self._guard.demand(role)
            act(role, seconds)
            self._waiting.wait(lapse_s + FALLS_S + settle_s)
            moved = self._readings.cell_is_wet() is not wet
            if role == "titrant":
                moved = moved or abs(self._readings.steady_emf_mv() - emf_mv) > STILL_MV
        except SalternError:
            account.covered = False
            self._commits.commit_if_possible(account.ledger, f"{name}: cut short")
            raise
        machine.devices.stirrer.set_speed(0.0)
        if moved:
            self._commits.settle(account.ledger, f"{name}: liquid moved")
        else:
            account.ledger = before
            self._commits.settle(before, f"{name} proved")
        return moved

    def energise(self, role: str, seconds: float) -> None:
        """Keep a permit alive for so long, its drive at rest."""
        end_s = self._clock.monotonic() + seconds
        try:
            while self._clock.monotonic() < end_s:
                self._guard.scan((role,))
                self._waiting.heed()
                self._waiting.tick()
        finally:
            self._machine.devices.permits[role].drop()

    def drive_unpermitted(self, role: str, seconds: float) -> None:
        """Drive a pump for so long, its permit dropped."""
        drive = self._machine.devices.pumps[role]
        self._under_way.begin(role, self._clock.monotonic(), seconds)
        try:
            drive.start(min(seconds * drive.rate, drive.longest), Direction.FORWARD)
            while drive.progress().running:
                self._waiting.tick()
                if role in self._guard.scan():
                    break
                self._waiting.heed()
        finally:
            drive.halt()
            self._under_way.end(role)

    def _proof_s(self, role: str) -> float:
        """Return how long a shorted drive would need to show."""
        if role == "titrant":
            return TITRANT_PROOF_S
        machine = self._machine
        if role == "sample":
            shows_ml = machine.cell_ml - machine.config.vessel.residue_ml
        else:
            shows_ml = self._account.filled_ml - machine.cell_ml
        return SHOW_MARGIN * shows_ml / machine.rate_ml_s(role) + SHOW_S
