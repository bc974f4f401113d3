"""One output at a time in a dry vessel, for a person who looks at it: nothing that is tried here is known to work yet.

What it could move if a transistor were shorted is promised to the ledger, as any motion is. Once the cell is seen to
be dry still, the vessel counts as dry again.
"""

from collections.abc import Callable
from dataclasses import replace

from saltern.bench import bookkeeping
from saltern.bench.account import Account
from saltern.bench.commits import Commits
from saltern.bench.gate import Gate
from saltern.bench.guard import Guard
from saltern.bench.machine import Machine
from saltern.bench.motion import Motion
from saltern.bench.proofs import Proofs
from saltern.bench.reading import Readings
from saltern.bench.waiting import Waiting
from saltern.errors import MotionError

FALLS_S = 0.5
"""The last drops fall, and the cell sees them."""


class Trying:
    """Energises a permit, a drive, or both, so briefly that a person can watch it."""

    def __init__(
        self,
        machine: Machine,
        guard: Guard,
        gate: Gate,
        waiting: Waiting,
        readings: Readings,
        account: Account,
        commits: Commits,
        motion: Motion,
        proofs: Proofs,
    ) -> None:
        self._machine = machine
        self._guard = guard
        self._gate = gate
        self._waiting = waiting
        self._readings = readings
        self._account = account
        self._commits = commits
        self._motion = motion
        self._proofs = proofs

    def permit(self, role: str, seconds: float) -> None:
        """Keep one permit alive for so long, no drive on.

        Raises
        ------
        InterlockError
            An interlock forbids it.
        MotionError
            The cell became wet.
        """
        self._try(role, f"try permit of {role}", seconds, self._proofs.energise)

    def drive(self, role: str, seconds: float) -> None:
        """Drive one pump for so long, its permit dropped; errors as `permit`."""
        self._try(role, f"try drive of {role}", seconds, self._proofs.drive_unpermitted)

    def turn(self, role: str, seconds: float) -> None:
        """Turn one pump for so long, its hoses off; errors as `permit`."""
        rate = self._machine.devices.pumps[role].rate
        self._try(role, f"try {role}", seconds, lambda pump, for_s: self._turn(pump, for_s * rate))

    def _turn(self, role: str, units: float) -> None:
        self._motion.turn(role, float(round(units)) if self._machine.devices.pumps[role].unit == "steps" else units)

    def _try(self, role: str, name: str, seconds: float, act: Callable[[str, float], None]) -> None:
        self._gate.demand_motion(role)
        machine, account = self._machine, self._account
        lapse_s = machine.lapse_s(role)
        may_move_ml = machine.rate_ml_s(role) * (seconds + lapse_s) * (1.0 + machine.gain_u(role))
        sample_ml, titrant_ml = (may_move_ml if role == adds else 0.0 for adds in ("sample", "titrant"))
        promised = bookkeeping.promised(account.ledger, name, sample_ml, titrant_ml)
        self._commits.promise(promised, name)
        account.ledger = replace(promised, stage=None)  # until it is seen that nothing came
        self._guard.demand(role)
        act(role, seconds)
        self._waiting.wait(lapse_s + FALLS_S)
        if self._readings.cell_is_wet():
            self._commits.settle(account.ledger, f"{name}: liquid came")
            raise MotionError(
                f"the conductivity cell became wet while the {role} pump was tried",
                where=f"{machine.config.name}, {name}",
                remedy="Take the hoses off, look what ran, and dry the vessel",
            )
        account.ledger = bookkeeping.found_outside(account.ledger, machine.cell_ml)
        self._commits.settle(account.ledger, f"{name}: the vessel is dry")
        account.filled_ml = 0.0
