"""The composition root: what a running bench is made of, and its one loop.

Everything that moves or waits happens in `Service.run`, in the thread that calls it. Other threads, a signal
handler or a scheduler post to the mailbox.
"""

import queue
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import structlog

from saltern.bench import ledger as books
from saltern.bench.bench import Bench, StopRequested
from saltern.bench.devices import open_devices
from saltern.bench.gate import HANDS, HELD_UNTIL, PARKED, Purpose
from saltern.bench.guard import TripEvent
from saltern.bench.interlocks import DEVICE_ABSENT
from saltern.bench.proof import GRACE, due, trials
from saltern.chemistry.endpoint.curve import Estimate, Medium
from saltern.chemistry.units import dkh_to_umol_kg
from saltern.config.tables import BenchConfig, Schedule
from saltern.errors import ConfigError, SalternError, StorageError, told
from saltern.model.alert import Alert, Severity
from saltern.model.calibration import Kind
from saltern.model.commands import (
    Bypass,
    Commission,
    Empty,
    Hold,
    Measure,
    PartEmptied,
    PartInstalled,
    PartReplaced,
    ProofTest,
    Proved,
    Reset,
    Rinse,
    command_of,
)
from saltern.model.determination import Determination, Quantity, Source
from saltern.model.verdict import Reason, Verdict
from saltern.ports import Clock, MisuseError, Wires
from saltern.procedures.determination import Expectation, determine
from saltern.procedures.notebook import Notebook, Step
from saltern.procedures.reference import is_due, needs_ml
from saltern.procedures.rinse import plan_for
from saltern.procedures.standardise import StandardiseOptions
from saltern.procedures.titrate import SLOW_ELECTRODE
from saltern.procedures.vessel import empty, keep_wet, rinse, wet_the_probes
from saltern.quality.history import MOST_RESULTS, history_of, usual_loss
from saltern.quality.judge import asked_again, confirmed
from saltern.quality.part_settling import NewPart, Settling
from saltern.records.as_json import determination_json
from saltern.records.calibrations import applied, doubted, in_force, taken_up
from saltern.records.store import Store
from saltern.records.upkeep import (
    away_now,
    began,
    install,
    installed,
    keep_bypass,
    keep_proof,
    keep_state,
    keep_usage,
    proved,
    state,
    thin,
    usage,
)
from saltern.running import watchlist
from saltern.running.alerting import Alerting
from saltern.running.away import stretched
from saltern.running.commissioning import commission, commissioned, keep_what_was_in_use, proof_test
from saltern.running.relieving import relieve
from saltern.running.schedule import Circumstances, Decision, decide

RELOADED = ("schedule", "alerts", "water", "titration", "titre", "limits", "method", "expected_dkh", "parts")
"""Tables of the bench file that may change while the service runs."""

OPENED_ONCE = ("urls_file", "watcher_url_file")
CLOCK_BEHIND = timedelta(hours=2)
THIN_EVERY_S = 86400.0
ROOM_EVERY_S = 60.0
REFERENCE_USED, REFERENCE_AGAIN_S = "reference used, mL", 12 * 3600.0
AFTER_BUFFERS = timedelta(minutes=30)
"""After buffers of low ionic strength a junction needs 15 to 30 minutes in seawater (common practice)."""

SET_ASIDE, MOST_SAID = "records-set-aside", 5

IDLE_S = 5.0
ALIVE_WITHIN_S = 120.0
TITRANT_PER_RUN_GUESS_ML = 10.0

Posted = Callable[[], object]


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
    """One bench, running."""

    def __init__(
        self, config: BenchConfig, bench: Bench, clock: Clock, store: Store, watcher: Callable[[Step], None]
    ) -> None:
        self.idle_s = IDLE_S
        self.file = config  # as written; `config` is that with the calibrations in force
        self.config = bench.config
        self.bench = bench
        self.clock = clock
        self.store = store
        self.watcher = watcher
        self.alerting = Alerting(self._tell)
        self.told: list[Alert] = []
        self.interlock_history: list[TripEvent] = []
        self.mailbox: queue.SimpleQueue[Posted] = queue.SimpleQueue()
        self._dry_by_s: float | None = None
        self._refilled_for: float | None = None
        self._in_doubt = False
        self._recover_later = False
        self._ports_seen: dict[str, tuple[bool, int]] = {}
        self._begun: datetime | None = None
        self._begun_s: float | None = None
        self._first_start = began(store) or clock.now()
        self._unkept: list[Determination] = []
        self._believed_s = clock.monotonic()
        self._beaten_on: date | None = None
        self._thinned_s = -THIN_EVERY_S
        self._room_seen_s = -ROOM_EVERY_S
        self.running: dict[str, object] | None = None  # replaced, never changed: other threads read it
        self.on_reference_due: Callable[[], None] = lambda: None
        self._reference_tried_s = -REFERENCE_AGAIN_S
        self.on_event: Callable[[str, dict[str, object]], None] = lambda kind, what: None
        self._ending = threading.Event()
        self._log = structlog.get_logger("saltern").bind(bench=config.name)
        self.take_up_calibrations()
        self._log.info("service.started", found=bench.found, records=store.found or "as they were left")
        if store.found:
            self._alert(Severity.ERROR, "records-damaged", store.found)
        self._tell_what_is_set_aside()
        self._take_up_what_was_left()

    def _tell_what_is_set_aside(self) -> None:
        """Tell once of each row that is not as it was written: it is kept, and what it says does not count."""
        words = self.store.keep_set_aside()
        if words:
            several = f"; and {len(words) - MOST_SAID} more" if len(words) > MOST_SAID else ""
            text = f"damaged records are set aside, and do not count: {'; '.join(words[:MOST_SAID])}{several}"
            self._alert(Severity.ERROR, SET_ASIDE, text)
            self.alerting.clear(SET_ASIDE)  # what comes next is told as well

    def _take_up_what_was_left(self) -> None:
        """Say how the last process ended, and keep the determination that it did not live to finish, as void."""
        if self.bench.books_lost:  # draining, too, waits for somebody who looks: the container may be full
            text = f"{self.bench.found}. Vessel, titrant and waste are taken for the worst, until somebody has looked"
            self._alert(Severity.CRITICAL, "records-lost", text)
            self.alerting.clear("records-lost")  # its interlock stands
        elif self.bench.found_unclean:
            self._alert(
                Severity.WARNING, "unclean-stop", f"{self.bench.found}; nothing is measured before it is proved empty"
            )
            self.mailbox.put(self._recover)
        draft = self.store.draft()
        if draft is not None:
            self._keep(draft)
            text = f"the determination begun {draft.started_at:%Y-%m-%d %H:%M} UTC was interrupted; it is kept as void"
            self._alert(Severity.NOTICE, "interrupted", text)

    def _recover(self) -> None:
        """Empty a vessel that a lost process left, for acid may stand in it, and leave the probes wet.

        Draining can do no harm. Where the cell is dry a little is added first, if there is room for it whatever the
        vessel holds: only a cell that falls dry proves anything. A trip forbids it, and the keeper is told.
        """
        if self.bench.gate.closed(Purpose.RECOVERY) is not None:
            return  # a line may hang over a beaker: the keeper is told, and says when all is back
        if self.bench.noticed.device_absent:  # after a power cut a hub may be slower than the service
            self._recover_later = True
            return
        try:
            with self._at_work("recover from an unclean stop"), self.bench.gate.through(Purpose.RECOVERY):
                self._empty_and_wet("empty after an unclean stop")
        except SalternError as error:
            self.bench.make_safe()
            self._alert(Severity.ERROR, "not-recovered", f"after {self.bench.found}: {error}")
            if isinstance(error, StopRequested):
                raise
        else:
            self.alerting.clear("unclean-stop")

    # The loop -----------------------------------------------------------------------

    def run(self, until_s: float | None = None) -> None:
        """Run until `end` is called, or until a monotonic time; leave the bench safe whatever happens."""
        try:
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
        while not self._ending.is_set():
            try:
                command = self.mailbox.get_nowait()
            except queue.Empty:
                break
            self._obey(command)
        if self.held_until() is not None:
            self.bench.forget_weights()
        if not self._ending.is_set():
            self.bench.idle(self.idle_s)
        self._look_round()
        if not self._ending.is_set():
            relieve(self)

    def is_alive(self) -> bool:
        """Return, to any thread, whether the control thread has scanned lately, at work or at rest."""
        return self.clock.monotonic() - self.bench.guard.scanned_s < ALIVE_WITHIN_S

    def end(self) -> None:
        """Ask for an orderly end, from any thread or signal handler: what moves stops, a run is void and kept."""
        self._ending.set()
        self.bench.request_stop()

    def look(self) -> None:
        """Ask, from any thread, that it be looked whether a determination is due."""
        self.mailbox.put(self._measure_if_due)

    def _measure_if_due(self) -> None:
        self._consider_the_clock()
        held = any(row.holds_starts for row in self.bench.guard.acting)
        held = held or self.bench.gate.closed(Purpose.SCHEDULED) is not None
        if not held and not self._ending.is_set() and self.bench.storage_works() and self.decision().start:
            with self.bench.gate.through(Purpose.SCHEDULED):
                self.measure(Source.TANK)
            if self.reference_due():
                self.on_reference_due()

    def reference_due(self) -> bool:
        """Return whether the reference at its own inlet is to be measured, and tell where it cannot be."""
        reference, now = self.config.reference, self.clock.now()
        if reference is None or not is_due(reference, self.config.titre.calibrated_on, now.date()):
            return False
        used_ml = state(self.store, REFERENCE_USED)
        left_ml = reference.bottle_ml - (float(used_ml) if isinstance(used_ml, int | float) else 0.0)
        lacking = left_ml < needs_ml(self.config, reference)
        expired = reference.expires is not None and now.date() > reference.expires
        self._standing(
            lacking or expired,
            Severity.WARNING,
            "reference-unusable",
            f"a reference is due and its bottle is {'expired' if expired else 'nearly empty'}: put in a fresh one, and "
            "say: saltern part BENCH.toml replaced reference",
        )
        if lacking or expired or self.clock.monotonic() - self._reference_tried_s < REFERENCE_AGAIN_S:
            return False
        self._reference_tried_s = self.clock.monotonic()
        return True

    def reference_used(self, volume_ml: float) -> None:
        """Keep what a standardisation has taken of the reference's bottle."""
        used_ml = state(self.store, REFERENCE_USED)
        before_ml = float(used_ml) if isinstance(used_ml, int | float) else 0.0
        keep_state(self.store, REFERENCE_USED, before_ml + volume_ml, self.clock.now())

    def refused_unattended(self, error: SalternError) -> None:
        """Tell that what was to be done without a person came to nothing."""
        self._alert(Severity.ERROR, "reference-refused", f"the reference was measured to no avail: {error}")

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
        until = state(self.store, HELD_UNTIL)
        at = datetime.fromisoformat(until) if isinstance(until, str) else None
        return at if at is not None and at > self.clock.now() else None

    def _consider_the_clock(self) -> None:
        """Trust the wall clock unless it says less than the records: it was stepped back, or never set after a start.

        A schedule by intervals needs no wall clock, and is not held.
        """
        newest = self.store.last_started(Source.TANK)
        behind = newest is not None and self.clock.now() < newest - CLOCK_BEHIND
        self.bench.noticed.clock_untrusted = behind and not self.config.schedule.by_interval
        self._standing(
            behind,
            Severity.WARNING,
            "clock-behind",
            f"the clock says {self.clock.now():%Y-%m-%d %H:%M} UTC, earlier than the newest record: set it",
        )
        self.bench.guard.scan()

    def decision(self) -> Decision:
        """Return whether a determination is due, and why or why not."""
        holding = self.conditions()
        unmet = tuple(name for name in self.config.schedule.conditions if not _is_met(name, holding))
        again = self.config.schedule.missed == "catch-up"
        kept = self.store.last_met(Source.TANK) if again else self.store.last_started(Source.TANK)
        begun = max((at for at in (kept, self._begun) if at is not None), default=None)  # it may not have been kept
        if self._begun_s is not None and self.config.schedule.by_interval:  # an interval has no use for the wall clock
            begun = self.clock.now() - timedelta(seconds=self.clock.monotonic() - self._begun_s)
        circumstances = Circumstances(begun, self.store.last_dose(), unmet)
        return decide(self.schedule(), self.clock.now(), circumstances)

    def schedule(self) -> Schedule:
        """Return the schedule as it is kept now: stretched, while the keeper is away."""
        away = away_now(self.store, self.clock.now())
        return self.config.schedule if away is None else stretched(self.config.schedule, away.gap_h)

    def conditions(self) -> dict[str, bool]:
        """Return what is known of conditions: what the keeper said, and what inputs say."""
        inputs = {name: switch.is_active() for name, switch in self.bench.devices.inputs.items()}
        return {**self.store.conditions(), **inputs}

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
        self._log.info("service.reloaded", changed=changed)
        return changed

    def take_up_calibrations(self) -> None:
        """Let the calibrations in force count, pumps at rest; tell of those that no bench could run with."""
        found = taken_up(self.file, self.store)
        self.config = self.bench.config = found.config
        self.bench.calibrations = {kind.value: kept.id for kind, kept in found.counting.items()}
        self._standing(
            bool(found.aside),
            Severity.ERROR,
            "calibration-set-aside",
            f"set aside, because the bench cannot run with it: {found.why}. The bench file counts instead: calibrate "
            "anew, or put an earlier one in force: saltern calibrations roll-back",
        )

    # What others see and ask ------------------------------------------------------------

    def claim(self, what: str, *, guided: bool = False) -> None:
        """Say that something is about to run, so that nobody else begins."""
        self.running = {"what": what, "phase": "waiting", "points": [], "guided": guided}

    def release(self) -> None:
        """Say that it is over."""
        self.running = None

    @contextmanager
    def _at_work(self, what: str) -> Iterator[None]:
        """Say what runs for as long as it does, however it ends."""
        self.claim(what)
        try:
            yield
        finally:
            self.release()

    def stop_what_runs(self) -> None:
        """Ask, from any thread, that what is under way stops; the service goes on."""
        if self.running is not None:
            self.bench.request_stop()

    def _watch(self, step: Step) -> None:
        before = self.running or {}
        points = list(before.get("points", ()))  # type: ignore[call-overload]
        event: dict[str, object] = {"phase": step.phase, "at_s": step.at_s}
        if step.titrant_ml is not None and step.emf_mv is not None:
            points.append([step.titrant_ml, step.emf_mv])
            event["point"] = points[-1]
        self.running = {**before, "phase": step.phase, "points": points}
        self.on_event("step", event)
        self.watcher(step)

    def _obey(self, command: Posted) -> None:
        try:
            command()
        except StopRequested:
            self._stopped()
        except MisuseError as error:
            self._go_on_after(error)
        except SalternError as error:
            self._log.error("command.refused", what=error.what, where=error.where, remedy=error.remedy)
            if isinstance(error, StorageError):
                self._alert(Severity.ERROR, "storage", f"{error.what}. {error.remedy}")
        except Exception as error:  # noqa: BLE001 - one command that fails must not take the bench from its keeper
            self._go_on_after(error)

    def _go_on_after(self, error: Exception) -> None:
        """Make the bench safe after a fault of the program, tell of it, and go on with the next command."""
        self.bench.make_safe()
        self._log.error("command.failed", exc_info=error)
        fault = told(error, "service")
        self._alert(Severity.CRITICAL, "program-fault", f"{fault.what}. {fault.remedy}")

    # What it does ---------------------------------------------------------------------

    def measure(self, source: Source) -> Determination:
        """Carry out one determination; where it is suspect by what chance may do, ask once more.

        What two determinations agree on is not unexpected: the second is then accepted. The first stays suspect. A
        bench that was in doubt already is not asked again: that would only use up titrant.
        """
        with self.bench.gate.through(Purpose.ASKED):
            first = outcome = self._measure_once(source, lambda d: d)
            if asked_again(first.alkalinity) and not self._in_doubt and not self._ending.is_set():
                reasons = [reason.value for reason in first.alkalinity.reasons]
                self._log.info("determination.asked_again", reasons=reasons)
                outcome = self._measure_once(
                    source, lambda d: replace(d, alkalinity=confirmed(first.alkalinity, d.alkalinity))
                )
        self._in_doubt = outcome.alkalinity.verdict is Verdict.SUSPECT
        return outcome

    def measure_reference(self, reference: StandardiseOptions) -> Determination:
        """Carry out one determination of a water of known alkalinity; the past of other references does not count."""
        known = Estimate(reference.alkalinity_umol_kg / self.config.titre.factor, 0.1 * reference.alkalinity_umol_kg)
        loss = usual_loss(self.store.believed(Source.TANK, MOST_RESULTS))
        return self._measure_once(
            Source.REFERENCE, lambda d: d, Expectation(known, loss), Medium(reference.medium), tells=False
        )

    def measure_again(self) -> Determination:
        """Carry out one determination of the tank that is part of a guided procedure."""
        return self._measure_once(Source.TANK, lambda d: d, tells=False)

    def measure_other(self) -> Determination:
        """Carry out one determination of a bucket."""
        return self._measure_once(Source.OTHER, lambda d: d, tells=False)

    def _measure_once(
        self,
        source: Source,
        judged: Callable[[Determination], Determination],
        expectation: Expectation | None = None,
        medium: Medium = Medium.SEAWATER,
        *,
        tells: bool = True,
    ) -> Determination:
        """Carry out one determination, keep it, and tell what the keeper should know of it.

        Within a guided procedure whoever guides is told, and `running` is the procedure's.
        """
        number = self.store.next_id()
        if source is Source.TANK:
            self._begun, self._begun_s = self.clock.now(), self.clock.monotonic()
        if tells:
            self.running = {"what": f"measure {source.value}", "id": number, "phase": "starting", "points": []}
        expected = expectation or self._expectation(source)
        with structlog.contextvars.bound_contextvars(determination=number):
            self._log.info("determination.started", source=source.value)
            try:
                outcome = judged(
                    self._settled(determine(self.bench, source, expected, self._watch, self._keep_draft, medium))
                )
            finally:
                if tells:
                    self.running = None
                if not self._ending.is_set() and tells:
                    self.bench.clear_stop()
            self._keep(outcome)
            self.on_event("finished", determination_json(number, outcome))
            self._log.info(
                "determination.finished",
                verdict=outcome.alkalinity.verdict.value,
                reasons=[reason.value for reason in outcome.alkalinity.reasons],
                alkalinity_umol_kg=outcome.alkalinity.value,
                u_umol_kg=outcome.alkalinity.u,
                remarks=list(outcome.remarks),
            )
            self._keep_hours()
            if tells:
                self._tell_of(outcome)
        return outcome

    def _settled(self, d: Determination) -> Determination:
        """Make provisional what a part that is still settling bears on, and say which part and how long."""
        if d.source is not Source.TANK:
            return d
        found = watchlist.settling(
            self.config, installed(self.store), d, self.store.believed(Source.TANK, MOST_RESULTS)
        )
        buffered = in_force(self.store).get(Kind.PH)
        if buffered is not None and timedelta(0) <= d.started_at - buffered.at < AFTER_BUFFERS:
            part = NewPart("the pH probe's junction, after buffers,", buffered.at, "ph")
            found.append(Settling(part, f"{part.name} settles in tank water for half an hour"))
        damaged = doubted(self.store) - {Kind.WASTE_PUMP}
        if not found and not damaged:
            return d
        bears_on = {one.part.bears_on for one in found}

        def provisional(quantity: Quantity, name: str) -> Quantity:
            why = (*([Reason.SETTLING] if name in bears_on else []), *([Reason.CALIBRATION_DAMAGED] if damaged else []))
            if not why or quantity.verdict is not Verdict.ACCEPTED:
                return quantity
            return replace(quantity, verdict=Verdict.PROVISIONAL, reasons=(*quantity.reasons, *why))

        return replace(
            d,
            alkalinity=provisional(d.alkalinity, "alkalinity"),
            ph_total=provisional(d.ph_total, "ph"),
            salinity=provisional(d.salinity, "salinity"),
            remarks=(*d.remarks, *(one.text for one in found)),
        )

    def _keep_hours(self) -> None:
        """Put what the pumps have turned into the records; what cannot be kept now is kept next time."""
        if not self.bench.turned:
            return
        try:
            keep_usage(self.store, self.bench.turned)
        except StorageError as error:
            self._log.error("pump_hours.not_kept", what=error.what, remedy=error.remedy)
        else:
            self.bench.turned = {}

    def operator(self, words: list[str]) -> None:
        """Do what an operator's command says; called in the control thread.

        Raises
        ------
        ConfigError
            There is no such command, or no such thing at this bench.
        """
        command, now = command_of(words), self.clock.now()
        match command:
            case Reset():
                self.bench.guard.reset("operator")
            case Empty():
                with self._at_work("empty"), self.bench.gate.through(Purpose.DRAIN):
                    empty(self.bench, Notebook(self.bench, self._watch))
                self.bench.forget_weights()
                self.bench.guard.scan()
            case Rinse():
                with self._at_work("rinse"), self.bench.gate.through(Purpose.ASKED):
                    self._rinse()
            case Measure():
                self.measure(Source.TANK)
            case PartReplaced(what="titrant"):
                bottle_ml = self.config.titrant.bottle_ml
                self.bench.note(books.bottle_replaced(self.bench.ledger, bottle_ml), "new bottle of titrant")
            case PartReplaced(what="reference"):
                keep_state(self.store, REFERENCE_USED, None, now)
                self.alerting.clear("reference-unusable")
            case PartEmptied(what="vessel"):
                self.bench.believe_empty("an operator looked: the vessel is empty")
            case PartEmptied(what="waste"):
                self.bench.note(books.container_emptied(self.bench.ledger), "waste container emptied")
            case PartInstalled(name=name):
                _demand_known(name, list(self.config.parts), "part")
                install(self.store, name, now)
            case Hold(hours=hours):
                until = now + timedelta(hours=hours)
                keep_state(self.store, HELD_UNTIL, None if hours == 0.0 else until.isoformat(), now)
                if hours == 0.0:
                    self.hands_at_the_bench(None)
            case Proved(interlock=interlock, outcome=outcome, who=who):
                _demand_known(interlock, [trial.interlock for trial in trials(self.config)], "trial")
                keep_proof(self.store, interlock, passed=outcome == "passed", who=who, at=now)
            case ProofTest(act=act):
                proof_test(self.store, now, begins=act == "begins")
            case Commission(who=who, why=why):
                commission(self.store, who, why, now)
            case Bypass(name=name, hours=hours, why=why):
                self.bench.guard.bypass(name, 3600.0 * hours)
                keep_bypass(self.store, name, hours, why, now)

    def _rinse(self) -> None:
        """Empty, rinse as before a determination, and leave the probes in fresh sample."""
        notebook = Notebook(self.bench, self._watch)
        self.bench.forget_weights()
        wet_the_probes(self.bench, notebook)
        empty(self.bench, notebook)
        rinse(self.bench, notebook, plan_for(self.config))
        keep_wet(self.bench, notebook)

    def _empty_and_wet(self, phase: str) -> None:
        """Drain what stands in the vessel, a dry cell wetted first so that it shows, and leave fresh sample."""
        notebook = Notebook(self.bench, self._watch)
        if not self.bench.cell_is_wet():
            wet_the_probes(self.bench, notebook)
        empty(self.bench, notebook, phase)
        keep_wet(self.bench, notebook)

    def _keep_draft(self, draft: Determination) -> None:
        try:
            self.store.keep_draft(draft)
        except StorageError as error:  # the next stage's commit decides whether the run may go on
            self._log.error("draft.not_kept", what=error.what, remedy=error.remedy)

    def _keep(self, outcome: Determination) -> None:
        """Keep it, or keep it in mind until the disk takes it."""
        self._unkept.append(outcome)
        self._keep_what_waits()

    def _keep_what_waits(self) -> None:
        while self._unkept:
            try:
                self.store.keep(self._unkept[0])
            except StorageError as error:
                self._log.error("determination.not_kept", what=error.what, remedy=error.remedy)
                self._alert(Severity.ERROR, "storage", f"{error.what}. {error.remedy}")
                return
            del self._unkept[0]
        self.alerting.clear("storage")

    def _expectation(self, source: Source) -> Expectation:
        """Return what the past lets one expect: of the tank the last result guides the doses, or the keeper's word."""
        past = self.store.believed(source, MOST_RESULTS)
        history = history_of(past, self.config.probes.conductivity.calibrated_on)
        loss = usual_loss(past)
        last = past[-1].alkalinity.value if past else None
        if last is not None:
            raw = last / self.config.titre.factor
            return Expectation(Estimate(raw, 0.25 * raw), loss, history)
        if self.config.expected_dkh is not None and source is Source.TANK:
            raw = dkh_to_umol_kg(self.config.expected_dkh, 35.0)
            return Expectation(Estimate(raw, 0.4 * raw), loss, history)
        return Expectation(None, loss, history)

    # What it tells --------------------------------------------------------------------

    def _look_round(self) -> None:
        """Tell of interlocks that acted, and of what runs out."""
        events = self.bench.guard.events
        while events:
            event = events.popleft()
            self.interlock_history.append(event)
            del self.interlock_history[:-1000]
            code = f"interlock-{event.row.name}"
            if event.row.name == DEVICE_ABSENT:
                continue  # each of them is told of by its own name
            passed = event.row.kind == "permissive" and event.row not in self.bench.guard.acting
            if event.acting and not passed:
                self._alert(event.row.severity, code, f"{event.row.watches}: {event.row.name}. {event.row.remedy}")
            else:
                self.alerting.clear(code)
        unreadable = "; ".join(f"{name}: {why}" for name, why in sorted(self.bench.unreadable.items()))
        self._standing(
            bool(unreadable),
            Severity.CRITICAL,
            "input-unreadable",
            f"an input cannot be read, and acts as if open: {unreadable}",
        )
        self._tell_of_ports()
        self._tell_what_is_set_aside()
        if self._unkept:
            self._keep_what_waits()
        if self.bench.fell_dry and self._dry_by_s is None:
            self._dry_by_s = self.clock.monotonic() + 3600.0 * self.config.sample.dry_out_h
        self._standing(
            self.bench.fell_dry,
            Severity.ERROR,
            "cell-dry",
            "the conductivity cell is dry, with everything at rest: look at the vessel, and keep the probes wet",
        )
        try:
            self.bench.guard.save()
        except StorageError as error:
            self._alert(Severity.ERROR, "storage", f"{error.what}. {error.remedy}")
        self._standing(
            self._dry_by_s is not None and self.clock.monotonic() > self._dry_by_s,
            Severity.CRITICAL,
            "probes-dry",
            "the probes have stood without fresh sample for too long: put them into storage solution or sample now",
        )
        rules = self.config.alerts
        self._standing(
            self.clock.monotonic() - self._believed_s > rules.no_result_h * 3600.0,
            Severity.ERROR,
            "no-result",
            f"no result that is believed for {rules.no_result_h:g} h: look at `saltern status` and the log",
        )
        if self.clock.monotonic() - self._room_seen_s >= ROOM_EVERY_S:
            self._room_seen_s = self.clock.monotonic()
            self._standing(
                not self.store.holds_reserve(),
                Severity.ERROR,
                "disk-full",
                "the disk of the records is full, or cannot be written: make room, before nothing can be measured",
            )
        try:
            self._look_at_upkeep()
        except StorageError as error:  # what cannot be read is told of, and ends nothing
            self._alert(Severity.ERROR, "storage", f"{error.what}. {error.remedy}")
        self._keep_hours()
        left_open = self.left_open() if self.running is None else None
        self._standing(
            left_open is not None,
            Severity.WARNING,
            "hands-at-the-bench",
            f"{left_open} did not come to its end: put lines and probes back, then: saltern hold BENCH.toml 0",
        )
        self._refill()
        self._thin()
        self.alerting.repeat(self.clock.now(), self.clock.monotonic(), rules.repeat_h * 3600.0)
        self._beat()

    def _tell_of_ports(self) -> None:
        """Tell once of each port that is not there; devices on one line are told of together."""
        ports: dict[str, list[str]] = {}
        for place, connection in self.bench.connections.items():
            ports.setdefault(connection.where, []).append(place)
        for where, places in ports.items():
            connection = self.bench.connections[places[0]]
            code = f"absent-{places[0].replace('.', '-')}"
            if connection.up and any(alert.code == code for alert in self.alerting.standing):
                self._log.info("device.returned", places=places, where=where, returns=connection.returns)
            text = f"{', '.join(places)} at {where}: {connection.trouble}. {connection.remedy}"
            self._standing(not connection.up, Severity.ERROR, code, text)
        seen = {place: (connection.up, connection.returns) for place, connection in self.bench.connections.items()}
        if seen != self._ports_seen:
            self._ports_seen = seen
            self.on_event("devices", {"absent": [place for place, (up, _) in seen.items() if not up]})
        if self._recover_later and not self.bench.noticed.device_absent:
            self._recover_later = False
            self.mailbox.put(self._recover)

    def _look_at_upkeep(self) -> None:
        """Tell of what is due: the proof test, parts, calibrations, titrant and waste."""
        proof_due = due(self.config, proved(self.store), self._first_start)
        self.bench.noticed.proof_overdue = self.clock.now() > proof_due + GRACE
        self._standing(
            self.clock.now() >= proof_due,
            Severity.NOTICE,
            "proof-due",
            f"the proof test is due: run `saltern proof-test`; from {proof_due + GRACE:%Y-%m-%d} nothing is measured "
            "unattended without it",
        )
        self._standing(
            commissioned(self.store, self.config) is None,
            Severity.WARNING,
            "not-commissioned",
            "this bench is not commissioned: nothing is pumped but by guided procedures. Carry out what "
            "hardware/README.md says, then: saltern commission --records-only WHO WHY",
        )
        damaged = ", ".join(sorted(doubted(self.store)))
        self._standing(
            bool(damaged),
            Severity.ERROR,
            "calibration-damaged",
            f"the record of a calibration is damaged, and an older one or the bench file counts ({damaged}): calibrate "
            "again, or put one in force by its number with `saltern calibrations roll-back`",
        )
        for found in (
            *watchlist.of_stores(self.config, self.bench.ledger),
            *watchlist.of_parts(self.config, installed(self.store), self.clock.now(), usage(self.store)),
            *watchlist.of_calibrations(self.config, self.clock.now().date()),
        ):
            self._standing(*found)

    def _refill(self) -> None:
        """Give probes fresh sample again that a stopped run has left dry; a trip alone forbids it.

        It is tried at half of the time that they may stand so; what fails is told by the alert that stands already.
        """
        half_s = 1800.0 * self.config.sample.dry_out_h
        due = self._dry_by_s is not None and self.clock.monotonic() > self._dry_by_s - half_s
        if not due or self._refilled_for == self._dry_by_s or self._ending.is_set():
            return
        if self.bench.gate.closed(Purpose.KEEP_WET) is not None:
            return
        self._refilled_for = self._dry_by_s
        try:
            with self._at_work("keep the probes wet"), self.bench.gate.through(Purpose.KEEP_WET):
                self._empty_and_wet("empty, to keep the probes wet")
        except StopRequested:
            raise
        except SalternError as error:
            self.bench.make_safe()
            self._log.warning("probes.not_refilled", what=error.what, remedy=error.remedy)
        else:
            self._dry_by_s = None
            self.alerting.clear("not-left-clean")

    def _thin(self) -> None:
        """Drop old curves once a day, where the keeper wants that."""
        days = self.config.records.keep_curves_days
        if days is None or self.clock.monotonic() - self._thinned_s < THIN_EVERY_S:
            return
        self._thinned_s = self.clock.monotonic()
        try:
            thin(self.store, self.clock.now() - timedelta(days=days))
        except StorageError as error:
            self._log.error("records.not_thinned", what=error.what, remedy=error.remedy)

    def test_alert(self) -> None:
        """Send a test by every way the keeper is told."""
        self._alert(Severity.NOTICE, "test", "this is a test: alerts reach you this way")
        self.alerting.clear("test")

    def _beat(self) -> None:
        """Say once a day, at the keeper's time, that all is well, or what is not."""
        at = self.config.alerts.heartbeat
        if at is None:
            return
        local = self.clock.now().astimezone(ZoneInfo(self.config.schedule.time_zone))
        if local.time() < at or self._beaten_on == local.date():
            return
        first, self._beaten_on = self._beaten_on is None, local.date()
        if first and local.time() > (datetime.combine(local.date(), at) + timedelta(minutes=10)).time():
            return  # started later in the day: tomorrow is soon enough
        wrong = "; ".join(alert.text for alert in self.alerting.standing)
        self._alert(Severity.INFORMATIONAL, "heartbeat", f"alive. {wrong or 'Nothing is wrong'}")
        self.alerting.clear("heartbeat")

    def _tell_of(self, outcome: Determination) -> None:
        if outcome.alkalinity.verdict in (Verdict.ACCEPTED, Verdict.PROVISIONAL) and outcome.source is Source.TANK:
            self._believed_s = self.clock.monotonic()
            past = self.store.believed(Source.TANK, 60)
            weighed = watchlist.of_weighed(self.config, past[-watchlist.WEIGHED_RESULTS :])
            for found in (*weighed, *watchlist.of_value(self.config.alerts, outcome, past, self.clock.now())):
                self._standing(*found)
        verdict = outcome.alkalinity.verdict
        reasons = ", ".join(reason.value for reason in outcome.alkalinity.reasons)
        first = outcome.remarks[0] if outcome.remarks else ""
        self._standing(verdict is Verdict.VOID, Severity.ERROR, "determination-void", f"no result: {reasons}. {first}")
        self._standing(
            verdict is Verdict.SUSPECT, Severity.WARNING, "determination-suspect", f"a result not believed: {reasons}"
        )
        slow = "; ".join(remark for remark in outcome.remarks if remark.startswith(SLOW_ELECTRODE))
        self._standing(bool(slow), Severity.NOTICE, SLOW_ELECTRODE, slow)
        not_clean = "; ".join(remark for remark in outcome.remarks if remark.startswith("not left clean"))
        if not not_clean:
            self._dry_by_s = None
        elif self._dry_by_s is None:
            self._dry_by_s = self.clock.monotonic() + 3600.0 * self.config.sample.dry_out_h
        by = self.clock.now() + timedelta(hours=self.config.sample.dry_out_h)
        text = f"{not_clean}. The probes must stand in liquid by {by:%Y-%m-%d %H:%M} UTC"
        self._standing(bool(not_clean), Severity.ERROR, "not-left-clean", text)

    def _standing(self, condition: bool, severity: Severity, code: str, text: str) -> None:
        if condition:
            self._alert(severity, code, text)
        else:
            self.alerting.clear(code)

    def _alert(self, severity: Severity, code: str, text: str) -> None:
        self.alerting.raise_once(Alert(self.clock.now(), self.clock.monotonic(), severity, code, text))

    def _tell(self, alert: Alert) -> None:
        self.told.append(alert)
        del self.told[:-1000]
        self.on_event("alert", {"code": alert.code, "severity": alert.severity.label, "text": alert.text})
        self._log.warning("alert", severity=alert.severity.label, code=alert.code, text=alert.text)
        try:
            self.store.keep_alert(alert)
        except StorageError as error:
            self._log.error("alert.not_kept", what=error.what, remedy=error.remedy)


def _is_met(condition: str, holding: dict[str, bool]) -> bool:
    """Return whether a condition is met; of what nobody ever said, neither it nor its opposite is."""
    name = condition.removeprefix("not ")
    return name in holding and holding[name] is (name == condition)


def _demand_known(name: str, known: Sequence[str], what: str) -> None:
    """Refuse a name that this bench does not have.

    Raises
    ------
    ConfigError
        With those that it has.
    """
    if name not in known:
        raise ConfigError(
            f"this bench has no {what} {name!r}", where="operator", remedy=f"It has: {', '.join(known) or 'none'}"
        )
