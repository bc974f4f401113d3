"""The bench: the only way to move liquid. Its rooms own their state; here they are put together, and here is its face.

Every wait scans the guard. Every motion is bounded by its drive, by its permit, and by a computed time. Nothing is
committed to storage while a pump turns.
"""

from contextlib import ExitStack
from typing import Protocol

from saltern.bench import bookkeeping
from saltern.bench.account import Account
from saltern.bench.adding import Adding
from saltern.bench.at_rest import AtRest
from saltern.bench.bookkeeping import LedgerStore
from saltern.bench.commits import Commits
from saltern.bench.connections import Connections
from saltern.bench.devices import Devices
from saltern.bench.draining import Drained, Draining
from saltern.bench.gate import Gate, HoldStore
from saltern.bench.guard import SWITCH_ROWS, Guard, LatchStore
from saltern.bench.in_drain import InDrain
from saltern.bench.interlocks import Noticed
from saltern.bench.lapse import Lapse
from saltern.bench.machine import Machine
from saltern.bench.motion import Doubted, Motion
from saltern.bench.proofs import Proofs
from saltern.bench.reading import Readings
from saltern.bench.relief import Relieving
from saltern.bench.sight import Sight
from saltern.bench.trying import Trying
from saltern.bench.under_way import UnderWay
from saltern.bench.waiting import IDLE_SCAN_S, StopRequested, Waiting
from saltern.config.tables import BenchConfig
from saltern.errors import ConfigError, InterlockError
from saltern.model.ledger import Ledger
from saltern.model.usage import Usage
from saltern.ports import Clock, Connection

__all__ = ["Bench", "Doubted", "Drained", "StopRequested", "Store"]

REFILLS_EVERY_S = 60.0
"""The daily titrant allowance refills in such steps: a minute late is on the side of less acid."""


class Store(LedgerStore, LatchStore, HoldStore, Protocol):
    """What a bench keeps across restarts."""


class Bench:
    """One machine's devices, calibrated, guarded and accounted for.

    What the guard looks at stands below it (machine, account, what is under way); who moves or waits, above.
    """

    def __init__(self, config: BenchConfig, devices: Devices, clock: Clock, store: Store) -> None:
        self.devices = devices
        self.clock = clock
        self.calibrations: dict[str, int] = {}  # in force, by kind: what a result is to remember
        self._seen_s = clock.monotonic()
        machine = self.machine = Machine(config, devices)
        account = self.account = Account(machine, store)
        under_way = self._under_way = UnderWay()
        in_drain = InDrain()
        self._sight = Sight(machine, account, under_way, in_drain, clock)
        guard = self.guard = Guard(devices.pumps, devices.permits, self._sight.look, clock, store)
        gate = self.gate = Gate(
            config.name, config.wires, clock, guard, store, lambda: machine.config.schedule.time_zone
        )
        waiting = self._waiting = Waiting(config.name, clock, guard)
        commits = self._commits = Commits(account, guard, store)
        connections = self._connections = Connections(devices, clock, guard)
        readings = self.readings = Readings(machine, clock, guard, waiting, connections, under_way)
        at_rest = self._at_rest = AtRest(machine, clock, guard, connections, readings, account, commits)
        motion = self.motion = Motion(machine, clock, guard, gate, waiting, under_way, account, at_rest)
        self._adding = Adding(machine, clock, readings, under_way, motion, account, commits)
        self._draining = Draining(
            machine, clock, guard, waiting, connections, readings, at_rest, motion, account, commits, in_drain
        )
        self._relieving = Relieving(machine, guard, gate, connections, readings, self._draining, account, at_rest)
        self._proofs = Proofs(
            machine, clock, guard, gate, waiting, readings, under_way, account, commits, self._draining, self._adding
        )
        self.trying = Trying(machine, guard, gate, waiting, readings, account, commits, motion, self._proofs)
        self.lapse = Lapse(machine, guard, waiting, readings, motion, self._adding, self._draining)
        self._open_its_face()
        self._begin()

    def _open_its_face(self) -> None:
        """Let procedures ask the bench for what its rooms do."""
        self.wait = self._waiting.wait
        self.request_stop = self._waiting.request_stop
        self.clear_stop = self._waiting.clear_stop
        self.look_at_ports = self._connections.look
        self.forget_weights = self._at_rest.forget_weights
        self.read = self.readings.read
        self.read_emf_mv = self.readings.emf_mv
        self.compensate = self.readings.compensate
        self.conductivity_ms_cm = self.readings.conductivity_ms_cm
        self.cell_is_wet = self.readings.cell_is_wet
        self.balance_g = self.readings.balance_g
        self.temperature_c = self.readings.temperature_c
        self.stir = self.devices.stirrer.set_speed
        self.stage = self._adding.stage
        self.stage_below_the_spout = self._adding.stage_below_the_spout
        self.add = self._adding.add
        self.collect = self._adding.collect
        self.draw_back = self._adding.draw_back
        self.drain = self._draining.drain
        self.draw_down = self._draining.draw_down
        self.relieve = self._relieving.relieve
        self.prove_permit = self._proofs.prove_permit
        self.prove_cut = self._proofs.prove_cut
        self.prove_lapse = self.lapse.prove
        self.note = self._commits.take_up
        self.storage_works = self._commits.storage_works

    def _begin(self) -> None:
        """Look once at all that can be seen, pumps at rest; a lost state latches its trip."""
        self._connections.look()
        for attribute, row in SWITCH_ROWS.items():
            switch = self.devices.switches.get(attribute)
            if switch is not None:
                switch.watch(lambda row=row: self.guard.edge(row))  # type: ignore[misc]
        self.guard.scan()
        if self.account.lost:
            self.guard.trip("records_lost")
            self._commits.commit_if_possible(self.ledger, "the bench's state was lost")

    # What its rooms know --------------------------------------------------------------

    @property
    def config(self) -> BenchConfig:
        """The bench file with the calibrations in force."""
        return self.machine.config

    @config.setter
    def config(self, config: BenchConfig) -> None:
        self.machine.config = config

    @property
    def ledger(self) -> Ledger:
        return self.account.ledger

    @property
    def vessel_most_ml(self) -> float:
        """The most that the vessel may hold at this instant: by the account, or by what the open stage has promised."""
        return max(self.account.ledger.vessel_ml.high, self._adding.promised_high_ml)

    @property
    def found(self) -> str:
        """How the ledger was found at the start, in words."""
        return self.account.found

    @property
    def found_unclean(self) -> bool:
        return self.account.found_unclean

    @property
    def state_lost(self) -> bool:
        return self.account.lost

    @property
    def must_prove(self) -> bool:
        """Whether nothing is added to a wet vessel before a drain is proved."""
        return self.account.must_prove

    @property
    def filled_ml(self) -> float:
        """What was pumped in since the vessel was last proved empty, as commanded; nothing, where that is not known."""
        return self.account.filled_ml

    @property
    def noticed(self) -> Noticed:
        return self.guard.noticed

    @property
    def unreadable(self) -> dict[str, str]:
        """Inputs that cannot be read, and why."""
        return self._sight.unreadable

    @property
    def connections(self) -> dict[str, Connection]:
        """Devices behind ports by their places in the bench file."""
        return self._connections.by_place

    @property
    def doubted(self) -> dict[str, Doubted]:
        """By pump, what it may not have moved, since somebody last cleared it."""
        return self.motion.doubted

    @property
    def turned(self) -> dict[str, Usage]:
        """By pump, hours and litres since somebody last took them from here."""
        return self.motion.turned

    @turned.setter
    def turned(self, turned: dict[str, Usage]) -> None:
        self.motion.turned = turned

    @property
    def empty_g(self) -> float | None:
        """What the emptied vessel weighed, since the service began."""
        return self._at_rest.empty_g

    @empty_g.setter
    def empty_g(self, empty_g: float | None) -> None:
        self._at_rest.empty_g = empty_g

    @property
    def fell_dry(self) -> bool:
        """Whether the cell was seen dry at rest, lately."""
        return self._at_rest.fell_dry

    # Between procedures ---------------------------------------------------------------

    def idle(self, seconds: float) -> None:
        """Let time pass between procedures, scanning; the daily titrant allowance refills meanwhile."""
        self._waiting.wait(seconds, IDLE_SCAN_S)
        self._at_rest.look()
        elapsed_s = self.clock.monotonic() - self._seen_s
        if elapsed_s >= REFILLS_EVERY_S:
            self._seen_s += elapsed_s
            self.account.ledger = bookkeeping.uptime_passed(
                self.account.ledger, elapsed_s, self.config.limits.titrant_per_day_ml
            )

    def make_safe(self) -> None:
        """Drop every permit, halt every drive, stop the stirrer. Idempotent, from any state.

        One that fails does not keep the others running: all are tried, and then the failure is raised. Then it is
        looked which devices are there: one that has gone may be why this is called.
        """
        self._under_way.end_all()
        with ExitStack() as every:
            every.callback(self._connections.look)
            every.callback(self.devices.stirrer.set_speed, 0.0)
            for selector in self.devices.selectors.values():
                every.callback(selector.select, False)
            for drive in self.devices.pumps.values():
                every.callback(drive.halt)
            for permit in self.devices.permits.values():
                every.callback(permit.drop)

    def close(self) -> None:
        try:
            self.make_safe()
        finally:
            self.devices.close()

    # What a keeper says -----------------------------------------------------------------

    def found_outside(self, role: str) -> None:
        """Accept the word of a keeper who has measured what was pumped: none of it is in the vessel.

        Raises
        ------
        InterlockError
            The conductivity cell says otherwise.
        """
        if self.cell_is_wet():
            raise InterlockError(
                f"the conductivity cell is wet: what the {role} pump gave is in the vessel",
                where=f"{self.config.name}, collect {role}",
                remedy="Run `saltern empty`, and hold the line's end over the beaker",
                interlock="volume-bound",
            )
        self.note(
            bookkeeping.found_outside(self.ledger, self.machine.cell_ml), f"collected {role} was measured outside"
        )
        self.account.filled_ml = 0.0

    def accept_empty(self, reason: str) -> None:
        """Accept the word of a keeper who looked, where the bench itself cannot prove it and does not see otherwise.

        Raises
        ------
        ConfigError
            The conductivity cell is wet.
        """
        if self.cell_is_wet():
            raise ConfigError(
                "the conductivity cell is in liquid: the vessel is not empty",
                where=self.config.name,
                remedy="Drain it: saltern empty",
            )
        self.account.must_prove = False
        self.note(bookkeeping.proved_empty(self.ledger, self.machine.cell_ml), reason)
        self.account.filled_ml = 0.0

    def select(self, name: str, *, other: bool) -> None:
        """Let the other line of a selector through, or the usual one again."""
        self.devices.selectors[name].select(other)
