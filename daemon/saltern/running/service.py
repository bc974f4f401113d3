"""One bench, running: the rooms that a running bench is made of, its mailbox, its round, and its end.

Everything that moves or waits happens in `Service.run`, in the thread that calls it. Other threads, a signal
handler or a scheduler post to the mailbox.
"""

import threading
from collections.abc import Callable
from datetime import datetime

import structlog

from saltern.bench.bench import Bench, StopRequested
from saltern.bench.devices import open_devices
from saltern.bench.gate import HANDS, HELD_UNTIL, PARKED, Purpose
from saltern.config.tables import BenchConfig
from saltern.errors import ConfigError, SalternError, StorageError, as_saltern_error
from saltern.model.alert import Alert
from saltern.model.commands import command_of
from saltern.model.determination import Determination, Source
from saltern.ports import Clock, MisuseError, Wires
from saltern.procedures.notebook import Step
from saltern.records.calibrations import applied, taken_up
from saltern.records.remembered import Remembered
from saltern.records.store import Store
from saltern.records.upkeep import began, keep_state, state
from saltern.running import commands
from saltern.running.alerting import Alerting
from saltern.running.at_work import AtWork
from saltern.running.commissioning import keep_what_was_in_use
from saltern.running.left import take_up_what_was_left
from saltern.running.mailbox import Mailbox, Posted
from saltern.running.measuring import Measuring
from saltern.running.probes import Probes
from saltern.running.reference import ReferenceWater
from saltern.running.relieving import relieve
from saltern.running.scanned import Scanned
from saltern.running.standing_again import last_result_s, take_up_standing
from saltern.running.start_rules import StartRules, held_until_of
from saltern.running.tank_seen import TankSeen
from saltern.running.upkeep import Upkeep
from saltern.running.watch.in_records import InRecords
from saltern.running.watch.interlocks import Interlocks
from saltern.running.watch.ports import Ports
from saltern.running.watch.silence import NoResult

RELOADED = (
    "schedule", "alerts", "water", "titration", "titre", "limits", "method", "expected_dkh", "parts", "tank",
    "alkalinity_unit",
)  # fmt: skip
"""Tables of the bench file that may change while the service runs."""

OPENED_ONCE = ("urls_file", "watcher_url_file")

IDLE_S = 10.0
"""A round of a simulated service; a real one has shorter rounds (`cli.daemon`). Scans come each 5 s in both."""
ALIVE_WITHIN_S = 120.0


def open_service(
    config: BenchConfig, wires: Wires, clock: Clock, store: Store, watcher: Callable[[Step], None] = lambda step: None
) -> "Service":
    """Open every device and put the bench together; nothing moves.

    Raises
    ------
    StartupError
        With everything that is wrong.
    """
    devices = open_devices(config, wires)
    keep_what_was_in_use(store, config, clock.now())
    clock.sleep(0.2)  # switches take their debounce time to say what they are
    bench = Bench(taken_up(config, store).config, devices, clock, store)
    return Service(config, bench, clock, store, watcher)


class Service:
    """One bench, running.

    Parameters
    ----------
    file, bench, clock, store
        The bench file as it is written, the bench that was opened by it, the time, the records.
    watcher
        Sees every phase and every point of a curve.
    """

    def __init__(
        self, file: BenchConfig, bench: Bench, clock: Clock, store: Store, watcher: Callable[[Step], None]
    ) -> None:
        self.file, self.bench, self.clock, self.store = file, bench, clock, store
        self.idle_s = IDLE_S
        self.watcher = watcher
        self.on_event: Callable[[str, dict[str, object]], None] = lambda kind, what: None
        self.on_scan: Callable[[], None] = lambda: None
        self._ending = threading.Event()
        self._log = structlog.get_logger("saltern").bind(bench=file.name)

        self.mailbox = Mailbox()
        self._look_due = threading.Event()
        self._seen_holds = Remembered(lambda: (state(store, HELD_UNTIL), self.left_open()), store)
        self.alerting = Alerting(clock, self._report, lambda: self.config.schedule.time_zone)
        hears = lambda kind, what: self.on_event(kind, what)  # noqa: E731 - whoever hears may change
        self.at_work = AtWork(hears, lambda step: self.watcher(step))
        self.start_rules = StartRules(bench, store, clock, self.alerting)
        self.probes = Probes(bench, clock, self.alerting, self.at_work)
        in_records = InRecords(bench, store, clock, self.alerting, began(store) or clock.now())
        self.upkeep = Upkeep(bench, store, clock, self.alerting, in_records)
        no_result = NoResult(clock.monotonic())
        no_result.last_came(last_result_s(store, clock))
        self.measuring = Measuring(
            bench, store, clock, self.alerting, self.at_work, hears,
            self.start_rules, self.probes, self.upkeep, no_result, self._ending.is_set,
        )  # fmt: skip
        self.reference = ReferenceWater(self)
        self.tank_seen = TankSeen()
        interlocks = Interlocks(bench, self.alerting)
        ports = Ports(bench, clock, self.alerting, hears)
        self._scanned = Scanned(
            bench, store, clock, self.alerting, self.at_work, self.mailbox,
            interlocks, ports, self.probes, no_result, in_records, lambda: self.on_scan(),
        )  # fmt: skip

        self.raised, self.interlock_history = self.alerting.raised, interlocks.history

        self.take_up_calibrations()
        self._log.info("service.started", found=bench.found, records=store.found or "as they were left")
        take_up_standing(store, self.config, self.alerting, clock)
        take_up_what_was_left(bench, store, self.alerting, self.upkeep, self.probes, self.measuring)
        bench.guard.scanned = self._scanned.scanned

    # The loop -----------------------------------------------------------------------

    def run(self, until_s: float | None = None) -> None:
        """Run until `end` is called, or until a monotonic time; leave the bench safe whatever happens."""
        try:
            self.bench.guard.scan()  # what acts already is raised at once, and not at the first scan of a wait
            while not self._ending.is_set() and (until_s is None or self.clock.monotonic() < until_s):
                try:
                    self.round()
                except StopRequested:
                    self._stopped()
            if self._ending.is_set():
                self._log.info("service.stopped")
        finally:
            self.bench.make_safe()

    def _stopped(self) -> None:
        """Go on after a stop that was meant for what ran, and not for the service."""
        self.bench.make_safe()
        if not self._ending.is_set():
            self.bench.clear_stop()

    def round(self) -> None:
        """Do what was posted, then what is due, then let a little time pass."""
        while not self._ending.is_set() and (act := self._next_act()) is not None:
            self._obey(act)
            self.bench.guard.scan()  # a queue of commands blinds nobody
        until, _ = self._seen_holds()
        if held_until_of(until, self.clock.now()) is not None:
            self.bench.forget_weights()
        if not self._ending.is_set():
            self.bench.idle(self.idle_s)
        self._look_round()
        if not self._ending.is_set():
            relieve(self.bench, self.alerting)

    def _next_act(self) -> Posted | None:
        """Return what is to be done next: what was posted, then what is due by itself."""
        if self.probes.may_recover:
            return self.probes.recover
        act = self.mailbox.take()
        if act is None and self._look_due.is_set():
            self._look_due.clear()
            return self._measure_if_due
        return act

    def _look_round(self) -> None:
        """Do what is to be done at rest, and raise what is seen there."""
        self.measuring.keep_again()
        self.upkeep.look()
        left_open = self._seen_holds()[1] if self.running is None else None
        self.alerting.stands(
            left_open is not None,
            "hands-at-the-bench",
            f"{left_open} did not come to its end: put lines and probes back, then: saltern hold 0",
        )
        self.probes.refill(self._ending.is_set)
        self._scanned.at_rest(self.clock.monotonic())

    def is_alive(self) -> bool:
        """Return, to any thread, whether the control thread has scanned lately, at work or at rest."""
        return self.clock.monotonic() - self.bench.guard.scanned_s < ALIVE_WITHIN_S

    def end(self) -> None:
        """Ask for an orderly end, from any thread or signal handler: what moves stops, a run is void and kept."""
        self._ending.set()
        self.bench.request_stop()

    def stop_what_runs(self) -> None:
        """Ask, from any thread, that what is under way stops; the service goes on."""
        if self.running is not None:
            self.bench.request_stop()

    def look(self) -> None:
        """Ask, from any thread, that it be looked whether a determination is due; asked twice is asked once."""
        self._look_due.set()

    def _measure_if_due(self) -> None:
        self.start_rules.consider_the_clock()
        if not self._ending.is_set() and self.start_rules.due():
            with self.bench.gate.through(Purpose.SCHEDULED):
                self.measure(Source.TANK)
            if self.reference.due():
                self.reference.measure()

    def _obey(self, command: Posted) -> None:
        try:
            command()
        except StopRequested:
            self._stopped()
        except SalternError as error:
            if isinstance(error, MisuseError):
                self._go_on_after(error)
                return
            self._log.error("command.refused", what=error.what, where=error.where, remedy=error.remedy)
            if isinstance(error, StorageError):
                self.alerting.alert("storage", f"{error.what}. {error.remedy}")
        except Exception as error:  # noqa: BLE001 - one command that fails must not take the bench from its keeper
            self._go_on_after(error)

    def _go_on_after(self, error: Exception) -> None:
        """Make the bench safe after a fault of the program, report it, and go on with the next command."""
        self.bench.make_safe()
        self._log.error("command.failed", exc_info=error)
        fault = as_saltern_error(error, "service")
        self.alerting.alert("program-fault", f"{fault.what}. {fault.remedy}")

    # What holds it --------------------------------------------------------------------

    def parked(self) -> bool:
        """Return whether the bench is put to rest: nothing is measured by schedule."""
        return state(self.store, PARKED) is not None

    def hands_at_the_bench(self, procedure: str | None) -> None:
        """Keep that a person's hands are at lines and probes, or that all is back where it belongs.

        A procedure that ends in its middle, or whose process dies, leaves a line over a beaker or an inlet in another
        water: nothing is pumped by schedule before somebody says that it is back.
        """
        keep_state(self.store, HANDS, procedure, self.clock.now())
        self.bench.forget_weights()
        if procedure is None:
            self.alerting.clear("hands-at-the-bench")

    def left_open(self) -> str | None:
        """Return the guided procedure that did not come to its end, or None."""
        name = state(self.store, HANDS)
        return name if isinstance(name, str) else None

    def held_until(self) -> datetime | None:
        """Return until when the keeper holds the schedule, or None."""
        return held_until_of(state(self.store, HELD_UNTIL), self.clock.now())

    # What it is made by ---------------------------------------------------------------

    @property
    def config(self) -> BenchConfig:
        """The bench file with the calibrations in force."""
        return self.bench.config

    def reload(self, new: BenchConfig) -> list[str]:
        """Take up a changed bench file without a stop; return what has changed.

        Raises
        ------
        ConfigError
            It changes what needs a stop; nothing is taken up.
        """
        changed = [name for name in BenchConfig.model_fields if getattr(new, name) != getattr(self.file, name)]
        fixed = [name for name in changed if name not in RELOADED]
        old, alerts = self.file.alerts, new.alerts
        fixed += [f"alerts.{name}" for name in OPENED_ONCE if getattr(alerts, name) != getattr(old, name)]
        if fixed:
            raise ConfigError(
                f"{', '.join(fixed)} cannot change while the service runs; nothing was taken up",
                where=self.config.name,
                remedy="Restart the service",
            )
        if not set(taken_up(new, self.store).aside) <= set(taken_up(self.file, self.store).aside):
            applied(new, self.store)  # says what of the calibrations in force does not go with it
        self.file = new
        self.take_up_calibrations()
        self.measuring.look_again()
        self._log.info("service.reloaded", changed=changed)
        self.on_event("reloaded", {"changed": changed})
        return changed

    def take_up_calibrations(self) -> None:
        """Let the calibrations in force count, pumps at rest; report those that no bench could run with."""
        found = taken_up(self.file, self.store)
        self.bench.config = found.config
        self.bench.calibrations = {kind.value: kept.id for kind, kept in found.counting.items() if kept.values}
        self.alerting.stands(
            bool(found.aside),
            "calibration-set-aside",
            f"set aside, because the bench cannot run with it: {found.why}. The bench file counts instead: calibrate "
            "again, or put an earlier one in force: saltern calibrations roll-back",
        )

    # What it does ---------------------------------------------------------------------

    def measure(self, source: Source) -> Determination:
        """Carry out one determination; called in the control thread."""
        return self.measuring.measure(source)

    def operator(self, words: list[str]) -> None:
        """Do what an operator's command says; called in the control thread.

        Raises
        ------
        ConfigError
            There is no such command, or no such thing at this bench.
        """
        commands.obey(self, command_of(words))

    # What others see and hear -----------------------------------------------------------

    @property
    def running(self) -> dict[str, object] | None:
        """What is under way: replaced, never changed, for other threads read it."""
        return self.at_work.running

    def _report(self, alert: Alert) -> None:
        """Give an alert to outlets, log and socket, in the middle of a scan: nothing here waits."""
        self.store.post_alert(alert)
        self.on_event("alert", {"code": alert.code, "severity": alert.severity.label, "text": alert.text})
        self._log.warning("alert", severity=alert.severity.label, code=alert.code, text=alert.text)
