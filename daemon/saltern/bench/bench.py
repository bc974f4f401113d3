"""The bench: the only way to move liquid, and the only place where time passes.

Every wait scans the guard. Every motion is bounded by its drive, by its permit, and by a computed time. Nothing is
committed to storage while a pump turns.
"""

import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, replace
from typing import Protocol

from saltern.bench import ledger as books
from saltern.bench.devices import Devices, probe_place
from saltern.bench.guard import SWITCH_ROWS, Guard, LatchStore
from saltern.bench.interlocks import NOTICED, Noticed, Snapshot
from saltern.bench.ledger import LedgerStore
from saltern.bench.plausible import implausible
from saltern.chemistry.electrode import nernst_slope_mv
from saltern.config.tables import BenchConfig, Pump
from saltern.errors import ConfigError, InterlockError, MotionError, ReadingError, SalternError, StorageError
from saltern.model.ledger import Interval, Ledger
from saltern.model.usage import Usage
from saltern.ports import (
    Clock,
    Compensated,
    Connection,
    DeviceUnavailableError,
    Direction,
    DriverError,
    MisuseError,
    Progress,
    Reading,
    Switch,
)

MOVING_SCAN_S = 0.1
RESTING_SCAN_S = 1.0
IDLE_SCAN_S = 5.0
POLL_S = 0.1
READ_TRIES = 3
BACK_WITHIN_S = 5.0
"""A board whose port is lost while it is read is waited for so long: a disturbed hub is back in 1 to 2 s (assumed)."""

CELL_BACK_WITHIN_S = 900.0
LOOK_EVERY_S = 10.0
ASK_AGAIN_S = 60.0
OVERTIME_FACTOR, OVERTIME_S = 1.2, 2.0
GAIN_SIGMAS = 3.0
DRAIN_TRIES = 3
DRAIN_MARGIN, DRAIN_MARGIN_S = 1.3, 8.0
DRY_READINGS = 2
STALE_S = 30.0
CELL_EVERY_S = 300.0
UNASKED_G = 3.0
"""What drying, drift and a nudge at a tube do not change between two looks."""

RAN_ON_S = 5.0
"""Safe-off takes a dead process's outputs low within a second or two; counted even though permits lapse sooner."""
STILL_MV = 8.0
STEADY_READINGS = 4
TITRANT_PROOF_S = 3.0
SHOW_LAGS = 3.0
EARLIEST_DRY = 0.6  # of the time that what was pumped in needs: earlier, and the cell failed rather than fell dry


class StopRequested(SalternError):  # noqa: N818 - not an error of anybody's
    """Somebody asked for an end, and the run stops where it is."""


class Store(LedgerStore, LatchStore, Protocol):
    """What a bench keeps across restarts."""


@dataclass(frozen=True)
class Drained:
    """How a drain went."""

    proved: bool
    wet_seen: bool
    dry_after_s: float | None
    ran_s: float


@dataclass(frozen=True)
class Doubted:
    """What a pump was told to move, and may not have moved."""

    most_ml: float
    why: str

    def plus(self, other: "Doubted") -> "Doubted":
        return Doubted(self.most_ml + other.most_ml, other.why)


class Bench:
    """One machine's devices, calibrated, guarded and accounted for."""

    def __init__(self, config: BenchConfig, devices: Devices, clock: Clock, store: Store) -> None:
        self.config = config
        self.devices = devices
        self.clock = clock
        self._store = store
        self._stop = threading.Event()
        self._due_s: dict[str, float] = {}  # by moving role: when its motion must have ended
        self._promise: dict[str, float] = {}
        self._needs: str | None = None
        self._good_s: dict[str, float] = {}
        self._reconnecting = devices.reconnecting()
        self.connections: dict[str, Connection] = {}  # by place in the bench file; replaced, never changed
        self._to_ask: set[str] = set()  # probes that have come back, and have not answered yet
        self._looked_s = self._asked_s = clock.monotonic()
        self._storage_failed = False
        self.unreadable: dict[str, str] = {}  # inputs that cannot be read, and why
        self.doubted: dict[str, Doubted] = {}  # by pump, since somebody last cleared it
        self.empty_g: float | None = None  # what the emptied vessel weighed, since the service began
        self.turned: dict[str, Usage] = {}  # since somebody last took it from here
        self.calibrations: dict[str, int] = {}  # in force, by kind: what a result is to remember
        self._filled_ml = 0.0  # what was pumped in since the vessel was last proved empty, as commanded
        self._seen_s = clock.monotonic()
        self._cell_wet_at_rest: bool | None = None
        self._rest_g: float | None = None
        self._cell_seen_s = clock.monotonic()
        self._switches = tuple((attribute, devices.switches.get(attribute)) for attribute in SWITCH_ROWS)
        self._fixed = {
            "overfill_ml": config.vessel.volume_at_ml(config.vessel.overfill_switch_mm),
            "cell_ml": config.vessel.volume_at_ml(config.vessel.conductivity_tip_mm),
            "waste_room_ml": config.waste.container_ml - config.vessel.capacity_ml,
        }
        self.books_lost = False  # when it was opened
        self.ledger, self.found, self.found_unclean = self._open_ledger()
        self.must_prove = self.found_unclean  # nothing is added to a wet vessel before a drain is proved
        self.guard = Guard(devices.pumps, devices.permits, self._look, clock, store)
        self.noticed: Noticed = self.guard.snapshot  # what is noticed here is in what every scan sees
        self.look_at_ports()
        for attribute, row in SWITCH_ROWS.items():
            switch = devices.switches.get(attribute)
            if switch is not None:
                switch.watch(lambda row=row: self.guard.edge(row))  # type: ignore[misc]
        self.guard.scan()
        if self.books_lost:
            self.trip("records_lost")
            self._commit_if_possible(self.ledger, "the books were lost")  # the trip first, as in every commit

    def _open_ledger(self) -> tuple[Ledger, str, bool]:
        """Take up the ledger where it was left, and say what was found."""
        capacity_ml = self.config.vessel.capacity_ml
        try:
            kept = self._store.load_ledger()
        except StorageError as error:
            return self._worst_ledger(), error.what, True
        if kept is None:
            return (
                books.first(capacity_ml, self.config.titrant.bottle_ml),
                "a bench that starts for the first time",
                False,
            )
        if kept.stage is not None:
            ran_on_ml = RAN_ON_S * sum(self._rate_ml_s(role) for role in ("sample", "titrant"))
            ledger = books.after_unclean_stop(kept, capacity_ml, ran_on_ml)
            found = f"an unclean stop during {kept.stage}: the vessel holds at most {ledger.vessel_ml.high:.0f} mL"
            return ledger, found, True
        return kept, f"an orderly stop: the vessel holds at most {kept.vessel_ml.high:.0f} mL", False

    def _worst_ledger(self) -> Ledger:
        """Take the books for lost: anything may be in vessel, bottle and container."""
        self.books_lost = True
        config, limits = self.config, self.config.limits
        return books.worst(
            config.vessel.capacity_ml,
            config.titrant.bottle_ml,
            config.waste.container_ml,
            limits.titrant_per_day_ml,
            limits.titrant_per_run_ml,
        )

    # Time -------------------------------------------------------------------------

    def wait(self, seconds: float) -> None:
        """Let time pass within a procedure, scanning."""
        self._pass(seconds, RESTING_SCAN_S)

    def idle(self, seconds: float) -> None:
        """Let time pass between procedures, scanning; the daily titrant allowance refills meanwhile."""
        self._pass(seconds, IDLE_SCAN_S)
        if self.clock.monotonic() - self._looked_s >= LOOK_EVERY_S:
            self.look_at_ports()
        self._ask_what_came_back()
        self._look_at_the_cell()
        elapsed_s, self._seen_s = self.clock.monotonic() - self._seen_s, self.clock.monotonic()
        self.ledger = books.uptime_passed(self.ledger, elapsed_s, self.config.limits.titrant_per_day_ml)

    def look_at_ports(self) -> None:
        """Look which devices behind ports are there; one that is not is opened again as soon as it is."""
        self._looked_s = self.clock.monotonic()
        found = {place: device.connection() for place, device in self._reconnecting.items()}
        back = {place for place, was in self.connections.items() if not was.up and found[place].up}
        self._to_ask |= {role for role in self.devices.probes if probe_place(role) in back}
        self.connections = found
        self.noticed.device_absent = any(not connection.up for connection in found.values())

    def _ask_what_came_back(self) -> None:
        """Ask probes that are there again for a reading, at rest: only that clears what was noticed of them."""
        now_s = self.clock.monotonic()
        if not self._to_ask or now_s - self._asked_s < ASK_AGAIN_S:
            return
        self._asked_s = now_s
        for role in sorted(self._to_ask):
            with suppress(ReadingError):  # its row acts until it answers, and it is asked again
                self.read(role)

    def _look_at_the_cell(self) -> None:
        """Look at rest: a dry cell wetted means liquid that nobody asked for; a wet one fallen dry, dry probes."""
        now_s = self.clock.monotonic()
        if now_s - self._cell_seen_s < CELL_EVERY_S:
            return
        self._cell_seen_s = now_s
        with suppress(ReadingError):  # a fault of a board has its own row, and blinds no other
            self._look_at_the_weight()
        cell = self.connections.get(probe_place("conductivity"))
        if cell is not None and not cell.up:  # told of by its own name; it is looked at again when it is back
            return
        try:
            wet = self.cell_is_wet()
        except ReadingError:
            return
        if self._cell_wet_at_rest is False and wet:
            self.trip("liquid_unasked")
        self._cell_wet_at_rest = wet

    def _look_at_the_weight(self) -> None:
        """Look at rest, where there is a balance: a vessel that grows heavier, or lighter than it dries, moved liquid.

        A pump that moves any forgets what was weighed before.
        """
        if "balance" not in self.devices.probes:
            return
        now_g = self.balance_g()
        if self._rest_g is not None and abs(now_g - self._rest_g) > UNASKED_G:
            self.trip("liquid_unasked")
        self._rest_g = now_g

    def forget_weights(self) -> None:
        """Let hands at the bench have laid on, or moved, what they will: what the vessel weighs is learned anew."""
        self._rest_g = self.empty_g = None

    @property
    def fell_dry(self) -> bool:
        """Whether the cell was seen dry at rest, lately."""
        return self._cell_wet_at_rest is False

    def _pass(self, seconds: float, scan_s: float) -> None:
        end_s = self.clock.monotonic() + seconds
        while True:
            self.guard.scan()
            self._heed()
            left_s = end_s - self.clock.monotonic()
            if left_s <= 1e-9:
                return
            self.clock.sleep(min(scan_s, left_s))

    @property
    def filled_ml(self) -> float:
        """What was pumped in since the vessel was last proved empty, as commanded; nothing, where that is not known."""
        return self._filled_ml

    def request_stop(self) -> None:
        """Ask, from any thread, that what is under way stops at the next scan."""
        self._stop.set()

    def clear_stop(self) -> None:
        self._stop.clear()

    def _heed(self) -> None:
        if self._stop.is_set():
            raise StopRequested("a stop was asked for", where=self.config.name, remedy="Start again when ready")

    # Looking ------------------------------------------------------------------------

    def _look(self, seen: Snapshot) -> None:
        for attribute, switch in self._switches:
            if switch is not None:
                setattr(seen, attribute, self._is_active(attribute, switch))
        ledger, limits, fixed = self.ledger, self.config.limits, self._fixed
        seen.vessel_high_ml = ledger.vessel_ml.high
        seen.overfill_ml = fixed["overfill_ml"]
        seen.titrant_run_ml = ledger.titrant_run_ml
        seen.titrant_run_limit_ml = limits.titrant_per_run_ml * 1.1
        seen.titrant_recent_ml = ledger.titrant_recent_ml
        seen.titrant_day_limit_ml = limits.titrant_per_day_ml
        seen.titrant_left_ml = ledger.titrant_left_ml.high
        seen.waste_high_ml = ledger.waste_ml.high
        seen.waste_room_ml = fixed["waste_room_ml"]
        seen.storage_failed = self._storage_failed
        now_s = self.clock.monotonic()
        seen.overtime = bool(self._due_s) and now_s > min(self._due_s.values())
        seen.motions = len(self._due_s)
        seen.reading_limit_s = STALE_S
        seen.reading_age_s = 0.0 if self._needs is None else now_s - self._good_s.get(self._needs, -1e9)

    def _is_active(self, name: str, switch: Switch) -> bool:
        """Return what an input says; one that cannot be read is taken for open, and why is kept for the alert."""
        try:
            active = switch.is_active()
        except DriverError as error:
            self.unreadable[name] = f"{error.what}. {error.remedy}"
            return True
        self.unreadable.pop(name, None)
        return active

    def read(self, role: str) -> Reading:
        """Return a reading taken after this call.

        Raises
        ------
        ReadingError
            The board gave none in `READ_TRIES` tries, or its port was not back in `BACK_WITHIN_S`.
        """
        probe = self.devices.probes[role]
        trouble: DriverError | None = None
        tries, back_by_s = 0, self.clock.monotonic() + BACK_WITHIN_S
        while tries < READ_TRIES:
            try:
                probe.request()
                while (reading := probe.poll()) is None:
                    self._pass(POLL_S, POLL_S)
            except MisuseError:
                raise
            except DriverError as error:
                trouble = error
                lost = isinstance(error, DeviceUnavailableError) and probe_place(role) in self._reconnecting
                if lost:
                    self.look_at_ports()
                if not lost or self.clock.monotonic() > back_by_s:
                    tries += 1
                self._pass(POLL_S, POLL_S)
            else:
                self._to_ask.discard(role)
                if self.noticed.device_absent:
                    self.look_at_ports()
                doubt = implausible(role, reading)
                self._notice_fault(role, faulty=doubt is not None)
                if doubt is not None:
                    raise ReadingError(
                        doubt, where=f"{self.config.name}, {role} probe", remedy="Check the probe, its plug and board"
                    )
                self._good_s[role] = reading.at_s
                return reading
        self._notice_fault(role, faulty=True)
        raise ReadingError(
            f"no reading in {READ_TRIES} tries: {trouble.what if trouble else 'silent'}",
            where=f"{self.config.name}, {role} probe",
            remedy=trouble.remedy if trouble else "Check the board",
        )

    def _notice_fault(self, role: str, *, faulty: bool) -> None:
        """Let the probe's own row know; probes that a bench may have beside the three have none."""
        if f"{role}_fault" in NOTICED:
            setattr(self.noticed, f"{role}_fault", faulty)

    def read_emf_mv(self) -> tuple[float, float]:
        """Return the electrode's signal in mV, rising with acid, and its monotonic time.

        A board that sends pH is turned back to mV by the calibration in the bench file, at 25 degC, so that the
        evaluation can fit the electrode anew.
        """
        reading = self.read("ph")
        if reading.unit == "mV":
            return reading.value, reading.at_s
        probe = self.config.probes.ph
        per_ph = nernst_slope_mv(25.0) * probe.slope_percent / 100.0
        return probe.e7_mv + per_ph * (7.0 - reading.value), reading.at_s

    def compensate(self) -> None:
        """Tell boards that want to know it how warm the liquid is; the others cost nothing."""
        probes = [probe for probe in self.devices.probes.values() if isinstance(probe, Compensated)]
        told = [probe for probe in probes if probe.wants_temperature]
        celsius = self.temperature_c() if told else 0.0
        for probe in told:
            try:
                probe.compensate(celsius)
            except MisuseError:
                raise
            except DriverError as error:
                raise ReadingError(error.what, where=error.where, remedy=error.remedy) from error

    def conductivity_ms_cm(self) -> float:
        """Return what the conductivity board sends, mS/cm, its own compensation included."""
        return _ms_cm(self.read("conductivity"))

    def balance_g(self) -> float:
        """Return what the load cell under the vessel shows, g in air; only differences mean anything."""
        balance = self.config.probes.balance
        return self.read("balance").value * (1.0 if balance is None else balance.gain)

    def temperature_c(self) -> float:
        return self.read("temperature").value + self.config.probes.temperature.offset_k

    def stir(self, fraction: float) -> None:
        self.devices.stirrer.set_speed(fraction)

    # Moving -------------------------------------------------------------------------

    @contextmanager
    def stage(
        self, name: str, *, sample_ml: float = 0.0, titrant_ml: float = 0.0, needs: str | None = None
    ) -> Iterator[None]:
        """Open a stage: commit the whole volume that it may move, pumps at rest; afterwards, what moved.

        Parameters
        ----------
        name
            For the records.
        sample_ml, titrant_ml
            The most that the stage will ask of each pump.
        needs
            A probe whose reading must not grow stale during the stage.

        Raises
        ------
        InterlockError
            The vessel's upper bound and what may be added do not fit below the overfill float.
        """
        sample_most_ml = self._most_ml("sample", sample_ml) if sample_ml > 0.0 else 0.0
        titrant_most_ml = self._most_ml("titrant", titrant_ml) if titrant_ml > 0.0 else 0.0
        promised = books.promised(self.ledger, name, sample_most_ml, titrant_most_ml)
        if promised.vessel_ml.high > self._fixed["overfill_ml"]:
            raise InterlockError(
                f"the vessel may hold {self.ledger.vessel_ml.high:.0f} mL, and {name} may add "
                f"{sample_most_ml + titrant_most_ml:.0f} mL; the overfill float acts at "
                f"{self._fixed['overfill_ml']:.0f} mL",
                where=f"{self.config.name}, {name}",
                remedy="Run `saltern empty`: the vessel must be proved empty first",
                interlock="volume-bound",
            )
        if self.must_prove and (titrant_ml > 0.0 or self.cell_is_wet()):
            raise InterlockError(
                f"{self.found}, and what it holds is not proved",
                where=f"{self.config.name}, {name}",
                remedy="Run `saltern empty`: the vessel must be proved empty first",
                interlock="volume-bound",
            )
        self._commit(promised, name)
        self.ledger = replace(self.ledger, stage=name)
        self._promise = {"sample": sample_ml, "titrant": titrant_ml}
        self._needs = needs
        if needs is not None:
            self._good_s[needs] = self.clock.monotonic()
        try:
            yield
        finally:
            self._promise = {}
            self._needs = None
            self.ledger = replace(self.ledger, stage=None)
            self._commit(self.ledger, f"{name} ended")

    def add(self, role: str, volume_ml: float) -> Interval:
        """Add sample or titrant to the vessel, within an open stage.

        Returns
        -------
        Interval
            What was moved, mL, by the calibration and its uncertainty.

        Raises
        ------
        InterlockError
            An interlock forbade or stopped it.
        MotionError
            The drive stopped short. What it gave and does not vouch for is in `doubted`.
        MisuseError
            More than the stage promised.
        """
        left_ml = self._promise.get(role, 0.0)
        if volume_ml > left_ml + 1e-9:
            raise MisuseError(
                f"{volume_ml:.3f} mL of {role} is more than the {left_ml:.3f} mL left of what the stage promised",
                where=f"{self.config.name}, bench",
                remedy="Open a stage that promises it",
            )
        self._promise[role] = left_ml - volume_ml
        least_ml, most_ml, _ = self._turn(role, volume_ml / self._pump(role).ml_per_unit, Direction.FORWARD)
        return Interval(least_ml, most_ml)

    def collect(self, role: str, volume_ml: float) -> float:
        """Pump into a container that is held under the line's end; return the native units turned.

        The ledger counts it as if it had gone into the vessel: nobody but the keeper knows where the end hangs.
        """
        drive, pump = self.devices.pumps[role], self._pump(role)
        units = volume_ml / pump.ml_per_unit
        units = float(round(units)) if drive.unit == "steps" else units
        sample_ml, titrant_ml = (units * pump.ml_per_unit if adds == role else 0.0 for adds in ("sample", "titrant"))
        self.doubted.pop(role, None)
        with self.stage(f"collect {role}", sample_ml=sample_ml, titrant_ml=titrant_ml):
            self._turn(role, units, Direction.FORWARD)
        if role in self.doubted:
            raise MotionError(
                f"up to {self.doubted[role].most_ml:.2g} mL may be missing: {self.doubted[role].why}",
                where=f"{self.config.name}, pumps.{role}",
                remedy="Look at what else this computer does, and do it again",
            )
        return units

    def found_outside(self, role: str) -> None:
        """Believe the keeper, who has measured what was pumped, that none of it is in the vessel.

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
        self.note(books.found_outside(self.ledger, self._fixed["cell_ml"]), f"collected {role} was measured outside")
        self._filled_ml = 0.0

    def believe_empty(self, reason: str) -> None:
        """Believe a keeper who looked, where the bench itself cannot prove it and does not see otherwise.

        Raises
        ------
        ConfigError
            The conductivity cell is wet.
        """
        if self.cell_is_wet():
            raise ConfigError(
                "the conductivity cell stands in liquid: the vessel is not empty",
                where=self.config.name,
                remedy="Drain it: saltern empty",
            )
        self.must_prove = False
        self.note(books.proved_empty(self.ledger, self._fixed["cell_ml"]), reason)
        self._filled_ml = 0.0

    def select(self, name: str, *, other: bool) -> None:
        """Let the other line of a selector through, or the usual one again."""
        self.devices.selectors[name].select(other)

    def draw_down(self, seconds: float) -> None:
        """Run the waste pump at its fixed tip for so long: what stands above the tip goes, whatever it was.

        The ledger keeps its upper bound: that it went is not proved.
        """
        self._commit_if_possible(books.drain_promised(self.ledger), "draw down")
        try:
            self.select("draw_down", other=True)
            _, most_ml, _ = self._turn("waste", seconds * self.devices.pumps["waste"].rate, Direction.FORWARD)
            self.ledger = books.drained(self.ledger, most_ml)
        finally:
            self.select("draw_down", other=False)
            self.ledger = replace(self.ledger, stage=None)
            self._commit_if_possible(self.ledger, "draw down ended")

    def draw_back(self, role: str, volume_ml: float) -> None:
        """Turn a pump backwards, to break its line with air; the line's end must be above the spout.

        Raises
        ------
        MisuseError
            The line's end could dip into the vessel: what is drawn back would come from there.
        """
        if self._pump(role).line.outlet_mm <= self.config.vessel.spout_mm:
            raise MisuseError(
                f"the {role} line ends below the spout and could draw from the vessel",
                where=f"{self.config.name}, pumps.{role}.line",
                remedy="End it above the spout: an air gap",
            )
        self._turn(role, volume_ml / self._pump(role).ml_per_unit, Direction.REVERSE)

    def drain(self) -> Drained:
        """Run the waste pump until the conductivity cell has gone from wet to dry, and a little longer.

        Empty is a transition: a cell that is dry from the start proves nothing. It is tried `DRAIN_TRIES` times.
        """
        vessel = self.config.vessel
        rate_ml_s, units_s = self._rate_ml_s("waste"), self.devices.pumps["waste"].rate
        ran_s, wet_seen = 0.0, False
        # Emptying is the safe way: storage that fails does not forbid it. What was last committed then still holds
        # as an upper bound of the vessel, and additions are cut until a commit succeeds.
        self._commit_if_possible(books.drain_promised(self.ledger), "drain")
        settled = False
        least_tail_s = 1.5 * vessel.volume_at_ml(vessel.conductivity_tip_mm) / rate_ml_s + 1.0
        try:
            for _ in range(DRAIN_TRIES):
                earliest_s = EARLIEST_DRY * max(0.0, self._filled_ml - self._fixed["cell_ml"]) / rate_ml_s
                watch = _CellWatch(self, earliest_s, wet_before=self.cell_is_wet())
                most_s = DRAIN_MARGIN * self.ledger.vessel_ml.high / rate_ml_s + DRAIN_MARGIN_S
                most_ml, seconds = self._drain_watched(watch, most_s * units_s)
                ran_s += seconds
                wet_seen = wet_seen or watch.wet_seen
                if watch.dry_at_s is not None:
                    # A cell that failed just then looks dry too: what may have been in must have had its time to leave.
                    all_of_it_s = self.ledger.vessel_ml.high * (1.0 + self._gain_u("waste")) / rate_ml_s
                    tail_s = max(least_tail_s, all_of_it_s - watch.dry_at_s)
                    self._turn("waste", tail_s * units_s, Direction.FORWARD)
                    ran_s += tail_s
                    self.ledger = books.proved_empty(self.ledger, self._fixed["cell_ml"])
                    self.noticed.drain_failed = self.noticed.drain_unproved = self.must_prove = False
                    self.noticed.titrant_unanswered = self.noticed.mixing_slow = False
                    self._filled_ml = 0.0
                    settled = True
                    return Drained(True, True, watch.dry_at_s, ran_s)
                self.ledger = books.drained(self.ledger, most_ml)
                if not watch.wet_seen:
                    break
            settled = True
            self._filled_ml = 0.0  # what still stands there is not known any more
            self.noticed.drain_failed, self.noticed.drain_unproved = watch.wet_seen, not watch.wet_seen
            return Drained(False, wet_seen, None, ran_s)
        finally:
            if not settled:  # cut short: all of it may have gone, and none
                self.ledger = books.drained(self.ledger, self.ledger.vessel_ml.high)
                self._filled_ml = 0.0
            self.ledger = replace(self.ledger, stage=None)
            self._commit_if_possible(self.ledger, "drain ended")

    def _drain_watched(self, watch: "_CellWatch", units: float) -> tuple[float, float]:
        """Run the waste pump until the cell falls dry, for so long at most; return the most mL, and seconds turned.

        Where the cell's board is lost in the middle, the pump rests until it is back: what is drained unseen is not
        proved, and a full vessel that is not proved takes no sample any more by which it could be. An overfull one is
        drained all the same, and any after `CELL_BACK_WITHIN_S`.
        """
        most_ml = turned_s = 0.0
        while True:
            left = units - turned_s * self.devices.pumps["waste"].rate
            _, moved_ml, seconds = self._turn("waste", left, Direction.FORWARD, until=watch.dried)
            most_ml, turned_s = most_ml + moved_ml, turned_s + seconds
            if not watch.lost:
                return most_ml, turned_s
            watch.go_on(rested_s=self._wait_for_the_cell())

    def _wait_for_the_cell(self) -> float:
        """Wait until the cell's board is back, pumps at rest, for `CELL_BACK_WITHIN_S` at most; return for how long."""
        begun_s = self.clock.monotonic()
        while (rested_s := self.clock.monotonic() - begun_s) < CELL_BACK_WITHIN_S and not self.guard.tripped:
            self._pass(RESTING_SCAN_S, RESTING_SCAN_S)
            with suppress(ReadingError):
                self.conductivity_ms_cm()
                return self.clock.monotonic() - begun_s
        return rested_s

    def prove_permit(self, role: str) -> None:
        """Energise one permit with no drive, for as long as a shorted drive would need to show itself.

        Each pump shows in its own state of the vessel: sample in a drained one, where the dry cell would be wetted;
        waste just after a small fill, where the wet cell would fall dry; titrant in standing sample, where the
        electrode's signal would jump.

        Raises
        ------
        MotionError
            Liquid moved.
        """
        if self._liquid_moves(role, f"permit of {role}", self._energise):
            self.trip("liquid_unasked")
            raise MotionError(
                f"liquid moved though the {role} pump's drive was at rest",
                where=f"{self.config.name}, pumps.{role}",
                remedy="Its transistor or driver is shorted: take the bench off its supply and replace it",
            )

    def prove_cut(self, role: str) -> None:
        """Drive one pump with its permit dropped, in the same states of the vessel: nothing may move.

        Raises
        ------
        MotionError
            Liquid moved: the permit does not cut.
        """
        if self._liquid_moves(role, f"cut of {role}", self._drive_unpermitted):
            self.trip("permit_failed")
            raise MotionError(
                f"the {role} pump turned though its permit was dropped",
                where=f"{self.config.name}, pumps.{role}.permit",
                remedy="Repair its one-shot or the switch that it holds: nothing would stop this pump if the host hung",
            )

    def _liquid_moves(self, role: str, name: str, act: Callable[[str, float], None]) -> bool:
        """Do something to a pump that must move nothing, and return whether it did.

        What could move is promised to the ledger, and stays in it if it did.
        """
        seconds, lapse_s = self._proof_s(role), self.devices.permits[role].lapse_s
        may_move_ml = self._rate_ml_s(role) * (seconds + lapse_s) * (1.0 + self._gain_u(role))
        sample_ml, titrant_ml = (may_move_ml if role == adds else 0.0 for adds in ("sample", "titrant"))
        settle_s = SHOW_LAGS * self.config.probes.ph.lag_s if role == "titrant" else 0.0
        if role == "titrant":
            self.stir(self.config.stirrer.titrate_speed)
            self.wait(settle_s)
        before, wet = self.ledger, self.cell_is_wet()
        emf_mv = self._steady_emf_mv() if role == "titrant" else 0.0
        promised = books.promised(before, name, sample_ml, titrant_ml)
        self._commit(promised, name)
        self.ledger = replace(promised, stage=None)  # until it is seen that nothing moved
        try:
            self.guard.demand(role)
            act(role, seconds)
            self.wait(lapse_s + 0.5 + settle_s)
            moved = self.cell_is_wet() is not wet
            if role == "titrant":
                moved = moved or abs(self._steady_emf_mv() - emf_mv) > STILL_MV
        except SalternError:
            self._commit_if_possible(self.ledger, f"{name}: cut short")
            raise
        self.stir(0.0)
        if moved:
            self._commit(self.ledger, f"{name}: liquid moved")
        else:
            self.ledger = before
            self._commit(before, f"{name} proved")
        return moved

    def _steady_emf_mv(self) -> float:
        """Return the mean of some readings of the electrode.

        Raises
        ------
        ReadingError
            They scatter so much that titrant could come in unseen, or noise be taken for titrant.
        """
        readings = []
        for _ in range(STEADY_READINGS):
            readings.append(self.read_emf_mv()[0])
            self.wait(POLL_S)
        if max(readings) - min(readings) > STILL_MV:
            self.noticed.ph_fault = True
            raise ReadingError(
                f"{STEADY_READINGS} readings in a row scatter by {max(readings) - min(readings):.1f} mV",
                where=f"{self.config.name}, ph probe",
                remedy="Look at the probe's plug, its cable and the isolation of its board",
            )
        return sum(readings) / len(readings)

    def _energise(self, role: str, seconds: float) -> None:
        end_s = self.clock.monotonic() + seconds
        try:
            while self.clock.monotonic() < end_s:
                self.guard.scan((role,))
                self._heed()
                self.clock.sleep(MOVING_SCAN_S)
        finally:
            self.devices.permits[role].drop()

    def _drive_unpermitted(self, role: str, seconds: float) -> None:
        drive = self.devices.pumps[role]
        self._due_s[role] = self.clock.monotonic() + OVERTIME_FACTOR * seconds + OVERTIME_S
        try:
            drive.start(min(seconds * drive.rate, drive.longest), Direction.FORWARD)
            while drive.progress().running:
                self.clock.sleep(MOVING_SCAN_S)
                if role in self.guard.scan():
                    break
                self._heed()
        finally:
            drive.halt()
            self._due_s.pop(role, None)

    def trip(self, noticed: str) -> None:
        """Latch the trip that this finding makes; the latch stays when the finding has passed."""
        setattr(self.noticed, noticed, True)
        self.guard.scan()
        setattr(self.noticed, noticed, False)

    def _proof_s(self, role: str) -> float:
        """Return how long a shorted drive would need to show."""
        if role == "titrant":
            return TITRANT_PROOF_S
        cell_ml = self._fixed["cell_ml"]
        if role == "sample":
            return 1.3 * (cell_ml - self.config.vessel.residue_ml) / self._rate_ml_s(role) + 1.0
        return 1.3 * (self._filled_ml - cell_ml) / self._rate_ml_s(role) + 1.0

    def _rate_ml_s(self, role: str) -> float:
        return float(self._pump(role).ml_per_unit * self.devices.pumps[role].rate)

    def make_safe(self) -> None:
        """Drop every permit, halt every drive, stop the stirrer. Idempotent, from any state.

        One that fails does not keep the others running: all are tried, and then the failure is raised. Then it is
        looked which devices are there: one that has gone may be why this is called.
        """
        self._due_s.clear()
        with ExitStack() as every:
            every.callback(self.look_at_ports)
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

    # Books --------------------------------------------------------------------------

    def note(self, ledger: Ledger, reason: str) -> None:
        """Take up a ledger that a keeper's act changed: a new bottle, an emptied container."""
        self._commit(ledger, reason)
        self.ledger = ledger
        self.guard.scan()

    def storage_works(self) -> bool:
        """Return whether the ledger can be committed; what has failed before is tried again, pumps at rest."""
        if self._storage_failed:
            self._commit_if_possible(self.ledger, "tried again")
        return not self._storage_failed

    def _commit(self, ledger: Ledger, reason: str) -> None:
        try:
            self.guard.save()
            self._store.commit_ledger(ledger, reason)
        except StorageError:
            self._storage_failed = True
            raise
        self._storage_failed = False

    def _commit_if_possible(self, ledger: Ledger, reason: str) -> None:
        """Commit, or leave it at the interlock that a failed commit sets, which also alerts."""
        try:
            self._commit(ledger, reason)
        except StorageError:
            self.guard.scan()

    # Turning ------------------------------------------------------------------------

    def _pump(self, role: str) -> Pump:
        pump: Pump = getattr(self.config.pumps, role)
        return pump

    def _gain_u(self, role: str) -> float:
        return float(GAIN_SIGMAS * self._pump(role).gain_u_percent / 100.0)

    def _most_ml(self, role: str, volume_ml: float) -> float:
        """Return the most that a permit held for this volume could move, mL."""
        lapse_s = self.devices.permits[role].lapse_s
        return (volume_ml + lapse_s * self._rate_ml_s(role)) * (1.0 + self._gain_u(role))

    def _turn(
        self, role: str, units: float, direction: Direction, until: Callable[[], bool] = lambda: False
    ) -> tuple[float, float, float]:
        """Turn a pump by native units, in motions that its drive accepts; return least and most mL, and seconds."""
        drive = self.devices.pumps[role]
        least_ml = most_ml = seconds = 0.0
        left = units
        while left > 1e-9:
            part = min(left, drive.longest)
            if drive.unit == "steps" and round(part) < 1:
                break
            progress, moved, took_s, ended_early = self._one_motion(role, part, direction, until)
            least_ml, most_ml, seconds = least_ml + moved.low, most_ml + moved.high, seconds + took_s
            if ended_early:
                break
            self._check_complete(role, part, progress)
            left -= part
        return least_ml, most_ml, seconds

    def _one_motion(
        self, role: str, amount: float, direction: Direction, until: Callable[[], bool]
    ) -> tuple[Progress, Interval, float, bool]:
        """Turn a pump once, and enter what that moved in the ledger however it ends."""
        drive, permit = self.devices.pumps[role], self.devices.permits[role]
        self.guard.demand(role)
        self._heed()
        self._cell_wet_at_rest = self._rest_g = None
        begun_s = self.clock.monotonic()
        ended_early = False
        self._due_s[role] = begun_s + OVERTIME_FACTOR * amount / drive.rate + OVERTIME_S
        try:
            with ExitStack() as both:  # the drive, then the permit; one that fails does not keep the other
                both.callback(permit.drop)
                both.callback(drive.halt)
                permit.kick()
                drive.start(amount, direction)
                while drive.progress().running:
                    self.clock.sleep(MOVING_SCAN_S)
                    if role in self.guard.scan((role,)):
                        break
                    self._heed()
                    if until():
                        ended_early = True
                        break
        finally:  # whatever ended it, what has moved is in the vessel
            self._due_s.pop(role, None)
            progress, took_s = drive.progress(), self.clock.monotonic() - begun_s
            moved_ml = self._book(role, progress, took_s, direction)
        if role in self.guard.cut:
            self.guard.demand(role)
        return progress, moved_ml, took_s, ended_early

    def _book(self, role: str, progress: Progress, took_s: float, direction: Direction) -> Interval:
        """Enter a motion in the ledger, and among the hours and litres of its tube; return what it moved, mL."""
        ml, gain_u = self._pump(role).ml_per_unit, self._gain_u(role)
        moved_ml = Interval(progress.at_least * ml * (1.0 - gain_u), progress.at_most * ml * (1.0 + gain_u))
        self.turned[role] = self.turned.get(role, Usage()).plus(took_s, 0.5 * (moved_ml.low + moved_ml.high))
        if direction is Direction.REVERSE:
            return moved_ml
        energised = (took_s + self.devices.permits[role].lapse_s) * self.devices.pumps[role].rate
        most_ml = max(progress.at_most, energised) * ml * (1.0 + gain_u)
        if role != "waste":
            self._filled_ml += progress.at_least * ml
        if role == "sample":
            self.ledger = books.sample_added(self.ledger, 0.0, most_ml)
        elif role == "titrant":
            self.ledger = books.titrant_added(self.ledger, 0.0, most_ml)
        return moved_ml

    def _check_complete(self, role: str, asked: float, progress: Progress) -> None:
        """Raise where a motion ended short; one that was given whole, and is not vouched for whole, is noted."""
        drive = self.devices.pumps[role]
        enough = 0.5 if drive.unit == "steps" else 0.25
        short = asked - progress.at_least
        if progress.doubt and asked - progress.at_most <= enough:
            doubted = Doubted(short * self._pump(role).ml_per_unit, progress.doubt)
            self.doubted[role] = self.doubted[role].plus(doubted) if role in self.doubted else doubted
        elif short > enough:
            raise MotionError(
                f"the {role} pump may have stopped {short:.3g} {drive.unit} short of {asked:.6g}"
                f"{': ' if progress.doubt else ''}{progress.doubt}",
                where=f"{self.config.name}, pumps.{role}",
                remedy="Check the drive's supply and wiring, and what else this computer does",
            )

    def cell_is_wet(self) -> bool:
        return self.conductivity_ms_cm() >= self.config.probes.conductivity.dry_ms_cm


class _CellWatch:
    """Watches the conductivity cell while the waste pump runs, without waiting for it."""

    def __init__(self, bench: Bench, earliest_s: float, *, wet_before: bool) -> None:
        self._guard = bench.guard
        self._may_rest = probe_place("conductivity") in bench.connections
        self.lost = False  # its board has gone: the pump may rest until it is back
        self._earliest_s = earliest_s
        self._probe = bench.devices.probes["conductivity"]
        self._limit = bench.config.probes.conductivity.dry_ms_cm
        self._clock = bench.clock
        self._began_s = bench.clock.monotonic()
        self._dry = 0
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
        if _ms_cm(reading) >= self._limit:
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


def _ms_cm(reading: Reading) -> float:
    return reading.value / 1000.0 if reading.unit == "uS/cm" else reading.value
