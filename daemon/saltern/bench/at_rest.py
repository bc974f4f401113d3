"""What is looked at between procedures: the ports, the cell, the weight, and whether every board answers.

Liquid that nobody asked for shows here, and a board that fell silent is found before it is needed.
"""

from contextlib import suppress

from saltern.bench.account import Account
from saltern.bench.commits import Commits
from saltern.bench.connections import Connections
from saltern.bench.guard import Guard
from saltern.bench.machine import Machine
from saltern.bench.reading import Readings
from saltern.bench.waiting import RESTING_POLL_S
from saltern.errors import ReadingError
from saltern.ports import Clock, DriverError

LOOK_EVERY_S = 10.0
"""Between two looks at the ports: each costs a driver a look at a folder, and who plugs in can wait (assumed)."""

ASK_AGAIN_S = 60.0
"""Between two questions to a probe that has come back: it may be there and silent, and each costs its time-out."""

BOARDS_EVERY_S = 30.0
"""Between two questions to the boards: one answers within a second, and a worn head gives 0.5 mL/min. With the tries of
a reading, what a board shows is raised within a minute."""

SAY_MORE = frozenset({"conductivity", "balance"})
"""The probes that are asked for what they say, too."""

WEIGHED_AGAINST_S = 900.0
"""A weight is held against one of up to so long ago: 3 g in it is 0.2 mL/min; a load cell drifts by less (assumed)."""

UNASKED_G = 3.0
"""What drying, drift and a nudge at a tube do not change in `WEIGHED_AGAINST_S` (assumed)."""


CAME_AND_WENT = "the conductivity cell was dry at rest and is wet again, with nothing moved"
"""What the records say, and an operator who asks for more before a drain is proved."""


class AtRest:
    """Remembers what was seen at rest; whoever moves liquid lets it forget."""

    def __init__(
        self,
        machine: Machine,
        clock: Clock,
        guard: Guard,
        connections: Connections,
        readings: Readings,
        account: Account,
        commits: Commits,
    ) -> None:
        self._machine = machine
        self._clock = clock
        self._guard = guard
        self._connections = connections
        self._readings = readings
        self._account = account
        self._commits = commits
        self._cell_wet: bool | None = None
        self._dry_is_proved = False  # by a drain since which nothing moved
        self._weight_g: float | None = None
        self._weighed_s = clock.monotonic()
        self._asked_s = self._looked_s = clock.monotonic()
        self.empty_g: float | None = None  # what the emptied vessel weighed, since the service began

    @property
    def fell_dry(self) -> bool:
        """Whether the cell was seen dry at rest, lately."""
        return self._cell_wet is False

    def liquid_moves(self) -> None:
        """Forget what was seen: a pump is about to change it."""
        self._cell_wet = self._weight_g = None
        self._dry_is_proved = False

    def proved_dry(self) -> None:
        """Take note that a drain was proved: a cell that is dry now is dry because nothing is there."""
        self._dry_is_proved = True

    def drained(self) -> None:
        """Remember that the cell fell dry, as a proved drain at rest has seen: what wets it now was not asked for."""
        self._cell_wet = False

    def forget_weights(self) -> None:
        """Let hands at the bench have laid on, or moved, what they will: what the vessel weighs is learned anew."""
        self._weight_g = self.empty_g = None

    def look(self) -> None:
        """Check what is due to be looked at."""
        if self._clock.monotonic() - self._connections.looked_s >= LOOK_EVERY_S:
            self._connections.look()
        self._ask_what_came_back()
        now_s = self._clock.monotonic()
        if now_s - self._looked_s >= BOARDS_EVERY_S:
            self._looked_s = now_s
            self._ask_every_board()

    def _ask_what_came_back(self) -> None:
        """Ask probes that are there again for a reading: only that clears what was noticed of them."""
        now_s = self._clock.monotonic()
        if not self._connections.to_ask or now_s - self._asked_s < ASK_AGAIN_S:
            return
        self._asked_s = now_s
        for role in sorted(self._connections.to_ask):
            with suppress(ReadingError):  # its row acts until it answers, and it is asked again
                self._readings.read(role, RESTING_POLL_S)

    def _ask_every_board(self) -> None:
        """Ask all that are there at once, so that they convert together; one that gives none has its interlock."""
        probes = self._machine.devices.probes
        there = [role for role in probes if not self._connections.is_down(role)]  # what is absent has its own alert
        for role in there:
            with suppress(DriverError):  # met again, and reported, by the reading
                probes[role].request()
        self._look_at_the_weight()
        self._look_at_the_cell()
        for role in there:
            if role not in SAY_MORE:
                with suppress(ReadingError):
                    self._readings.read(role, RESTING_POLL_S)

    def _look_at_the_weight(self) -> None:
        """Where there is a balance: a vessel that grows heavier, or lighter than it dries, moved liquid."""
        if "balance" not in self._machine.devices.probes:
            return
        try:
            now_g = self._readings.balance_g(RESTING_POLL_S)
        except ReadingError:  # a fault of a board blinds no other
            return
        if self._weight_g is not None and abs(now_g - self._weight_g) > UNASKED_G:
            self._guard.trip("liquid_unasked")
        elif self._weight_g is not None and self._clock.monotonic() - self._weighed_s < WEIGHED_AGAINST_S:
            return
        self._weight_g, self._weighed_s = now_g, self._clock.monotonic()

    def _look_at_the_cell(self) -> None:
        """See a dry cell wetted, which may mean liquid that nobody asked for, or a wet one fallen dry: dry probes."""
        if self._connections.is_down("conductivity"):  # reported by its own name; looked at again when it is back
            return
        try:
            wet = self._readings.cell_is_wet(RESTING_POLL_S)
        except ReadingError:  # it has its own row
            return
        if self._cell_wet is False and wet:
            self._consider_what_came()
        self._cell_wet = wet

    def _consider_what_came(self) -> None:
        """Latch what two witnesses say: a drain that was proved, and a cell that is wet since. One is in doubt alone.

        A cell that fell dry at rest, with nothing moved, and is wet again, may have had its plug pulled. The vessel is
        taken for full then, so that nothing is added before a drain is proved; where it is weighed, the weight decides.
        """
        if self._dry_is_proved:
            self._guard.trip("liquid_unasked")
        elif self._weight_g is None:  # it was looked at just before, and has its own trip
            self._account.doubt(self._machine.config.vessel.capacity_ml, CAME_AND_WENT)
            self._commits.commit_if_possible(self._account.ledger, CAME_AND_WENT)
