"""The computer beside a simulated bench: it starts the service, and may lose it, its disk or its power.

Three deaths differ. A power cut lets outputs fall to their pull-downs. A killed process leaves them driven until
safe-off. A hang stops the control thread while timers and edges live on, until the watchdog kills it.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from saltern.cli import simulated_card
from saltern.cli.twin import of_the_twin
from saltern.clock import VirtualClock
from saltern.config.tables import BenchConfig
from saltern.errors import SalternError
from saltern.records.opening import open_store
from saltern.records.store import Store
from saltern.running.commissioning import say_whether_commissioned
from saltern.running.service import Service, open_service
from saltern.running.waking import ClockWaker

if TYPE_CHECKING:
    from saltern_drivers.twin.scenario import FaultTable, Play

SAFE_OFF_AFTER_S = 1.0
"""systemd runs ExecStopPost about so soon after a death (an assumption)."""

FINE_S = 0.05
RESTART_AFTER_S = 10.0
WATCHDOG_S = 30.0
BOOT_S = 40.0
DAMAGE = b"\xa5" * 512


class ProcessDeath(BaseException):
    """The process under which this runs is no more. Not an Exception: nothing in a service may outlive it."""


class _Watches(Protocol):
    """Who puts truth beside what a service finds."""

    def begin(self, service: Service) -> None: ...

    def step(self, step: Any) -> None: ...


class _Dead:
    """The database of a dead process: whoever touches it is dead too."""

    def __getattr__(self, name: str) -> Any:
        raise ProcessDeath

    def __enter__(self) -> Any:
        raise ProcessDeath

    def __exit__(self, *_: object) -> None:
        raise ProcessDeath


class Computer:
    """Runs services, one after the other, against one world.

    Parameters
    ----------
    config, play, clock
        The bench, its world and its time.
    records
        Path of the records, or in memory.
    log
        Called with each service that starts.
    outputs_persist
        Whether a dead process leaves its outputs driven, as kernels of the Raspberry Pi do unless set otherwise.
    """

    def __init__(
        self,
        config: BenchConfig,
        play: Play,
        clock: VirtualClock,
        records: str,
        log: _Watches,
        *,
        outputs_persist: bool = True,
    ) -> None:
        self._config, self._play, self._clock = config, play, clock
        self._records, self._log = records, log
        self._persist = outputs_persist
        self._wires = play.wires
        self._waker: ClockWaker | None = None
        self._store: Store | None = None
        self._down_s = RESTART_AFTER_S
        self._disk: tuple[str, str] | None = None  # pragmas that make the disk fail, and that mend it
        self.service: Service | None = None
        self.deaths = 0
        self._left_open: list[Any] = []

    def ledger_upper_ml(self) -> float:
        return float("inf") if self.service is None else self.service.bench.vessel_most_ml

    def post(self, words: list[str]) -> None:
        """Post an operator's command to the service that runs, as another process would."""
        if self.service is not None:
            post(self.service, words)

    # Living ---------------------------------------------------------------------------

    def start(self) -> None:
        """Start a service on the wires; one that cannot start is tried again, as systemd does."""
        self._play.world.dead_since_s = None
        self._play.world.powered = True
        while self._left_open:
            self._left_open.pop().close()
        self._store = open_store(self._records, self._clock)
        counts = self._play.scenario.twin.commissioned
        try:
            say_whether_commissioned(self._store, self._config, self._clock.now(), commissioned=counts)
            if self._disk is not None:
                self._pragma(self._disk[0])
            self.service = open_service(self._config, self._wires, self._clock, self._store, self._log.step)
        except SalternError:
            self.lose(powered=True)
            self._down_s = RESTART_AFTER_S
            return
        self._log.begin(self.service)
        self._waker = ClockWaker(self.service.look, self._clock)

    def run(self, until_s: float) -> None:
        """Run the service until then, or until it is lost; then let the time pass that a new start takes."""
        try:
            if self.service is not None:
                self.service.run(until_s=until_s)
                return
        except ProcessDeath:
            pass
        self.start_again()

    def start_again(self) -> None:
        """Do what systemd does after a death: outputs low, a pause, a new process on new wires."""
        if self._play.world.powered:
            for _ in range(round(SAFE_OFF_AFTER_S / FINE_S)):  # in steps that show what stops when
                self._clock.sleep(FINE_S)
            self._wires.pins.dead = False
            self._wires.pins.force_low()
            self._wires.pins.dead = True
        self._clock.sleep(self._down_s)
        self._wires = of_the_twin("wire")(self._play.world, self._play.boards, self._clock)
        self._play.wires = self._wires
        self.start()

    def close(self) -> None:
        if self._waker is not None:
            self._waker.stop()
        if self.service is not None:
            self.service.bench.make_safe()
            self.service.bench.close()
        if self._store is not None:
            self._store.close()

    # Failing --------------------------------------------------------------------------

    def befall(self, fault: FaultTable) -> Callable[[], None] | None:
        """Play a fault of the computer; return what ends it."""
        return _FAULTS[fault.kind](self, fault)

    def power_cut(self, fault: FaultTable) -> None:
        self._down_s = BOOT_S + 3600.0 * (0.05 if fault.for_h is None else fault.for_h)
        self._die(powered=False)

    def killed(self, fault: FaultTable) -> None:
        del fault
        self._down_s = RESTART_AFTER_S
        self._die(powered=True)

    def hang(self, fault: FaultTable) -> None:
        """Stop the control thread, here, in the middle of its waiting; timers and edges go on meanwhile."""
        self._clock.sleep(WATCHDOG_S)
        self.killed(fault)

    def disk_full(self, fault: FaultTable) -> Callable[[], None]:
        """Let SQLite find no room: its own error, at its own time."""
        del fault
        return self._disk_fails("PRAGMA max_page_count = 1", "PRAGMA max_page_count = 1073741823")

    def disk_readonly(self, fault: FaultTable) -> Callable[[], None]:
        del fault
        return self._disk_fails("PRAGMA query_only = ON", "PRAGMA query_only = OFF")

    def corrupt(self, fault: FaultTable) -> None:
        """Write nonsense over the middle of the database, as a dying card does."""
        del fault
        path = Path(self._records)
        with path.open("r+b") as file:
            file.seek(max(4096, path.stat().st_size // 2))
            file.write(DAMAGE)

    def sd_stall(self, fault: FaultTable) -> Callable[[], None] | None:
        """Let each write take so long while the fault lasts, or the next one alone."""
        if self._store is None:
            return None
        return simulated_card.stall(self._store, self._clock, fault.size, lasting=fault.for_h is not None)

    def record_damaged(self, fault: FaultTable) -> None:
        """Change one byte of one stored value."""
        simulated_card.damage(Path(self._records), fault.table, fault.column)

    def _disk_fails(self, broken: str, mended: str) -> Callable[[], None]:
        self._disk = (broken, mended)
        self._pragma(broken)

        def end() -> None:
            self._disk = None
            self._pragma(mended)

        return end

    def _pragma(self, text: str) -> None:
        if self._store is not None:
            self._store.rows(text)

    def _die(self, *, powered: bool) -> None:
        if self.service is None:
            return
        self.lose(powered=powered)
        raise ProcessDeath

    def lose(self, *, powered: bool) -> None:
        """Let the process be no more; the next start comes as systemd would have it."""
        self.deaths += 1
        of_the_twin("die")(self._wires, driven=powered and self._persist)
        self._play.world.powered = powered
        self._play.world.dead_since_s = self._clock.monotonic()
        if self._waker is not None:
            self._waker.stop()
        if self._store is not None:
            self._left_open.append(self._store._connection)  # what it had begun is rolled back, as after any death
            self._store._connection = _Dead()  # type: ignore[assignment]  # whoever of the dead still runs, ends
            if self._store._owned is not None:
                self._store._owned.close()
            self._store = None
        self.service = None


_FAULTS: dict[str, Callable[[Computer, FaultTable], Callable[[], None] | None]] = {
    "power-cut": Computer.power_cut,
    "process-killed": Computer.killed,
    "service-hang": Computer.hang,
    "disk-full": Computer.disk_full,
    "disk-readonly": Computer.disk_readonly,
    "database-corrupt": Computer.corrupt,
    "sd-stall": Computer.sd_stall,
    "record-damaged": Computer.record_damaged,
}


def post(service: Service, words: list[str]) -> None:
    """Post an operator's command, as another process would."""
    service.mailbox.put(partial(service.operator, words))
