"""Relief: drains at rest while the float is up or the tray is wet, for then liquid runs by itself.

The waste pump is the one thing that can save the floor. Each drain takes at most the vessel's capacity. One that the
cell proves, wet and then dry, allows the next when the level rises again; one that is not proved ends them, for pumping
on blindly could be what wets the floor. Full waste, the stop button, a waste pump that fills, and a tray that a drain
wets cut the waste pump in the table, and so end them as well.
"""

from dataclasses import dataclass

from saltern.bench import bookkeeping
from saltern.bench.account import Account
from saltern.bench.at_rest import AtRest
from saltern.bench.connections import Connections
from saltern.bench.draining import Drained, Draining
from saltern.bench.gate import Gate, Purpose
from saltern.bench.guard import Guard
from saltern.bench.machine import Machine
from saltern.bench.reading import Readings
from saltern.errors import ReadingError

LEVEL_ROWS = frozenset({"overfill", "leak"})
"""Trips that say that liquid is where it should not be; while one is latched, a level that rises is drained."""


@dataclass
class Relief:
    """What became of the drains since a trip of `LEVEL_ROWS` latched."""

    drains: int = 0
    ended: bool = False  # the last one was not proved
    _float_fell: bool = True

    @property
    def untouched(self) -> bool:
        """Whether nothing has been drained since the last reset."""
        return self.drains == 0 and not self.ended and self._float_fell

    def due(self, *, latched: bool, float_up: bool, cell_wet: bool | None) -> bool:
        """Return whether the vessel is to be drained now.

        Parameters
        ----------
        latched
            A trip of `LEVEL_ROWS` is latched. A reset by an operator, who has looked, begins anew.
        float_up
            The overfill float is up now.
        cell_wet
            What the cell says; None where it says nothing.
        """
        if not latched:
            self.drains, self.ended, self._float_fell = 0, False, True
            return False
        risen = float_up and self._float_fell
        self._float_fell = self._float_fell or not float_up
        if self.ended:
            return False
        if self.drains == 0:
            return bool(cell_wet) or float_up or cell_wet is None
        return bool(cell_wet) or risen

    def drained(self, *, proved: bool) -> None:
        """Take note of how a drain ended."""
        self.drains += 1
        self.ended = not proved
        self._float_fell = False


class Relieving:
    """Drains at rest what runs in by itself."""

    def __init__(
        self,
        machine: Machine,
        guard: Guard,
        gate: Gate,
        connections: Connections,
        readings: Readings,
        draining: Draining,
        account: Account,
        at_rest: AtRest,
    ) -> None:
        self._machine = machine
        self._guard = guard
        self._gate = gate
        self._connections = connections
        self._readings = readings
        self._draining = draining
        self._account = account
        self._at_rest = at_rest
        self._relief = Relief()

    def relieve(self) -> Drained | None:
        """Drain the vessel if the float is up, the tray wet, or the level risen since; called with all at rest.

        Returns
        -------
        Drained or None
            None where nothing is to be drained, where the table cuts the waste pump, or where the gate is closed.

        Raises
        ------
        InterlockError
            An interlock stopped the drain; there is not another before an operator's reset.
        """
        latched = any(row.name in LEVEL_ROWS for row in self._guard.acting)
        if not latched and self._relief.untouched:
            return None
        wet = self._cell_wet() if latched and not self._relief.ended else None
        due = self._relief.due(latched=latched, float_up=self._guard.snapshot.overfill, cell_wet=wet)
        if not due or "waste" in self._guard.cut or self._gate.closed(Purpose.RELIEF) is not None:
            return None
        capacity_ml = self._machine.config.vessel.capacity_ml
        self._account.ledger = bookkeeping.level_unknown(self._account.ledger, capacity_ml)
        proved = False
        try:
            with self._gate.through(Purpose.RELIEF):
                drained = self._draining.drain_unseen(capacity_ml) if wet is None else self._drain(capacity_ml)
            proved = drained.proved
        finally:
            self._relief.drained(proved=proved)
        if proved:
            self._at_rest.drained()
        return drained

    def _drain(self, capacity_ml: float) -> Drained:
        """Drain once, and let a worn tube have the time that it needs for the vessel's capacity."""
        return self._draining.drain(tries=1, most_ml=capacity_ml * (1.0 + self._machine.gain_u("waste")))

    def _cell_wet(self) -> bool | None:
        if self._connections.is_down("conductivity"):
            return None
        try:
            return self._readings.cell_is_wet()
        except ReadingError:
            return None
