"""The judge of a scenario: it has a memory of its own, and asks the service nothing.

Trips it knows by the world's own switches and by which pins drive a pump; resets, by what the scenario's operator
said; deaths, by who holds the wires; results, latches and the ledger's bound, by the database as a file; alerts, by
what an outlet was given. What is true of a result is the twin's.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import inf
from pathlib import Path
from typing import Any

from saltern.cli.simulation import Stage
from saltern.config.tables import Limits
from tests.faults.blind import is_blind
from tests.faults.witnesses import HeardOutlet, Promise, RecordsFile

RESOLUTION = {"alkalinity": 1.0, "ph_total": 0.005, "salinity": 0.02}
COLUMNS = {
    "alkalinity": ("alkalinity_umol_kg", "alkalinity_u_umol_kg", "alkalinity_verdict"),
    "ph_total": ("ph_total", "ph_total_u", "ph_total_verdict"),
    "salinity": ("salinity", "salinity_u", "salinity_verdict"),
}

SCAN_S, EDGE_S, SAFE_OFF_S = 0.1, 0.25, 1.0
OWED_AFTER_S = 0.5
"""A switch that has been open for so long has been seen: its debounce, a second look and the edge's own deadline."""

HELD_UP_S = 31.0
"""A control thread that hangs or stalls, or waits for its card, sees nothing for as long as the watchdog lets it."""

HOLD_UP = {"service-hang", "control-stall", "sd-stall"}
HEARD_S = 60.0
"""Within so much an alert is to reach an outlet (design, section 5)."""

LOOKS_S = 5.0
FOLLOWS_S = 60.0
"""A first result that is not accepted is no silence where the next determination begins within so much."""

OBEYED_S = 1800.0
"""A posted reset may wait for a whole determination, and for the one that it asks for again, before it is obeyed."""

RUN_ON_ML = 2.5
"""What sample and titrant pump give in the second until safe-off takes a dead process's outputs low, at 110 mL/min."""

TITRATED_ML = 2.0
"""So much acid in one filling is a titration; a tip that is discarded gives 0.3 mL."""

CELL_CLEAR_ML = 0.2
NOT_OF_A_FAULT = {"proof-due", "heartbeat", "test"}
HOLDS_STARTS = {"hold", "stop", "park", "away", "standardise"}

INVARIANTS = (
    "nothing spilled",
    "what runs beside is bounded",
    "vessel within capacity",
    "no acid to the tank",
    "acid of a run within its ceiling",
    "acid of a day within its ceiling",
    "trips within their deadline",
    "off after a death",
    "ledger bound held",
    "empty is proved before a restarted service adds",
    "a latched trip stays cut",
    "no result accepted after a trip",
    "no record lost",
    "no accepted lie",
    "told in time",
    "told of what is not harmless",
    "the service goes on",
)


@dataclass(frozen=True)
class Lie:
    """A value that was accepted further off than three of its uncertainties."""

    quantity: str
    result: int
    off: float
    u: float


@dataclass
class Outcome:
    """What became of a case: violated invariants with what was seen, and what was reported."""

    violated: dict[str, str] = field(default_factory=dict)
    lies: list[Lie] = field(default_factory=list)
    verdicts: list[str] = field(default_factory=list)
    alerts: set[str] = field(default_factory=set)
    trips: set[str] = field(default_factory=set)
    worst: dict[str, float] = field(default_factory=dict)  # largest error of what was accepted, in u, by quantity
    errors: dict[str, list[float]] = field(default_factory=dict)  # of all that was accepted, by quantity

    def demand(self, invariant: str, holds: bool, seen: str) -> None:
        if not holds:
            self.violated.setdefault(invariant, seen)


@dataclass(frozen=True)
class Result:
    """A result as it was when it was first seen in the file: what is damaged later is not held against it."""

    row: Mapping[str, Any]
    truth: Mapping[str, float]
    seen_s: float

    @property
    def begun_s(self) -> float:
        return float(self.row["started_monotonic_s"])

    @property
    def ended_s(self) -> float:
        """When it was there: one that its process's death cut off is kept by the next process."""
        return max(float(self.row["finished_monotonic_s"]), self.seen_s - LOOKS_S)

    @property
    def verdict(self) -> str:
        return str(self.row["alkalinity_verdict"])


class Judge:
    """Watches a stage from its first instant, and gives its verdict at the end.

    Parameters
    ----------
    stage
        What is played. The judge looks at its world, its wires, its operator and its clock.
    faults
        What was done to it: tables of the scenario.
    records
        Where the records are, as a file.
    limits
        Of the bench file: what it promises of acid.
    wanted
        How many determinations the schedule has.
    """

    def __init__(
        self, stage: Stage, faults: Sequence[Mapping[str, Any]], records: Path, limits: Limits, wanted: int
    ) -> None:
        self.found = Outcome()
        self._stage, self._faults, self._limits, self._wanted = stage, faults, limits, wanted
        self._world = stage.play.world
        self._kinds = {fault["kind"] for fault in faults}
        self._held_up_s = HELD_UP_S if self._kinds & HOLD_UP else 0.0
        self.outlet, self.file = HeardOutlet(), RecordsFile(records)
        self._clock = stage.clock
        self._begun: list[tuple[Mapping[str, Any], float]] = []  # what waits for a phase, and when it struck
        self._alive_since_s: float | None = None
        self._died_s: list[float] = []
        self._dead_s = 0.0  # in all
        self._unproved_deaths = 0  # since anything was added
        self._owed: dict[str, float] = {}  # trips that nobody has reset, by switch
        self._owed_ever: list[tuple[str, float]] = []
        self._reset_s = -inf
        self._resets = 0
        self._orders: list[str] = []
        self._latches: dict[int, tuple[str, bool]] = {}  # as read: name, cleared
        self._promise = Promise()
        self._promised_s = -inf  # when that row was first seen
        self._next_s = 0.0
        self._results: dict[tuple[int, float], Result] = {}
        self._titrated = 0
        self._acid_ml = 0.0
        self._attach()

    # Hearing ------------------------------------------------------------------------

    def _attach(self) -> None:
        stage, play, computer = self._stage, self._stage.play, self._stage.computer
        bound_by_the_twin, begin, post = self._world.on_add, stage.log.begin, computer.post
        strike, self._strikes = play._begin, [f for f in self._faults if f.get("at_phase") is not None]

        def added() -> None:
            bound_by_the_twin()
            self._added()

        def begun(service: Any) -> None:
            begin(service)
            self.outlet.open(service.store)

        def posted(words: list[str]) -> None:
            self._ordered(list(words))
            post(words)

        def struck(fault: Any) -> Any:
            self._begun.append((fault.model_dump(exclude_unset=True, exclude_none=True), self._clock.monotonic()))
            return strike(fault)

        self._world.on_add = added
        stage.log.begin = begun  # type: ignore[method-assign]
        computer.post = posted  # type: ignore[method-assign]
        play._begin = struck  # type: ignore[method-assign]
        if computer.service is not None:
            self.outlet.open(computer.service.store)
        self._clock.attach(self.instant)
        self.instant(self._clock.monotonic())

    def _ordered(self, words: list[str]) -> None:
        self._orders.append(words[0] if words else "")
        if words == ["reset"]:
            self._reset_s = self._clock.monotonic()
            self._resets += 1

    def read_on_from(self, records: Path) -> None:
        """Read another file from now on: of a process that goes on with a copy of the records.

        The other one stays open: it is the process's that split.
        """
        self._left_open = self.file
        self.file = RecordsFile(records)

    # Every instant ------------------------------------------------------------------

    def instant(self, now_s: float) -> None:
        """Look at the world, as time moves."""
        world = self._world
        if (world.dead_since_s is None and world.powered) != (self._alive_since_s is not None):
            self._dies_or_starts(now_s)
        if world.trip_since_s or self._owed:
            self._watch_switches(now_s)
        if world.volume_ml() > self._promise.vessel_high_ml + 1e-6:
            self._read_promise(now_s)
            self._hold_bound()
        acid_ml = world.titrant_since_empty_ml
        if acid_ml < self._acid_ml and self._acid_ml >= TITRATED_ML:
            self._titrated += 1
        self._acid_ml = acid_ml
        if now_s >= self._next_s:
            self._next_s = now_s + LOOKS_S
            self._look(now_s)

    def _dies_or_starts(self, now_s: float) -> None:
        if self._alive_since_s is None:
            self._alive_since_s = now_s
            if self._died_s:
                self._dead_s += now_s - self._died_s[-1]
            return
        self._alive_since_s = None
        self._died_s.append(now_s)
        left = self.file.promise()
        if left is None or left.stage is not None:  # what a process leaves in no stage, its ledger knows
            self._unproved_deaths += 1
        self._world.lowest_ml = inf  # what stood there before says nothing of what stands there now
        self.outlet.close()
        self.file.close()

    def _watch_switches(self, now_s: float) -> None:
        since = self._world.trip_since_s
        if now_s - self._reset_s < OBEYED_S:
            for role in [role for role in self._owed if role not in since]:
                del self._owed[role]
        if self._alive_since_s is None:
            return
        for role, since_s in since.items():
            seen_s = now_s - max(since_s, self._alive_since_s)
            if role not in self._owed and seen_s >= OWED_AFTER_S + self._held_up_s:
                self._owed[role] = now_s
                self._owed_ever.append((role, now_s))

    def _read_promise(self, now_s: float) -> None:
        newest = self.file.promise() if self._alive_since_s is not None else None  # the dead write nothing
        if newest is not None and newest != self._promise:
            self._promise, self._promised_s = newest, now_s

    def _hold_bound(self) -> None:
        """Hold what is in the vessel against what the disk says of it, pumps turning or not."""
        high_ml, volume_ml = self._promise.vessel_high_ml, self._world.volume_ml()
        if self._died_s and self._died_s[-1] >= self._promised_s:
            high_ml += RUN_ON_ML  # of a row that a process left when it died
        held = volume_ml <= high_ml + 1e-6
        self.found.demand("ledger bound held", held, f"{volume_ml:.2f} mL, and the file says {high_ml:.2f} at the most")

    def _look(self, now_s: float) -> None:
        if self._alive_since_s is None:
            return
        self.outlet.ask(now_s)
        if self.file.changed():
            self._read_promise(now_s)
            self._read_latches()
            self._read_results()
        self._hold_bound()

    def _read_latches(self) -> None:
        rows = self.file.latches()
        if rows is None:
            return
        found = {row["id"]: (row["interlock"], row["cleared_utc"] is not None) for row in rows}
        if not self._kinds & {"database-corrupt", "record-damaged"}:
            for number, (name, cleared) in self._latches.items():
                kept = found.get(number, (name, None))
                reset = self._resets > 0 or cleared
                self.found.demand(
                    "a latched trip stays cut", kept == (name, cleared) or reset, f"{name} was latched, and is {kept}"
                )
        self._latches = found

    def _read_results(self) -> None:
        for row in self.file.results() or []:
            which = row["id"], row["started_monotonic_s"]
            if which not in self._results:
                self._results[which] = Result(row, self._truth_of(row), self._clock.monotonic())

    def _truth_of(self, row: Mapping[str, Any]) -> dict[str, float]:
        play, read_s = self._stage.play, row["ph_read_monotonic_s"]
        ph_total, salinity = play.as_read(read_s)
        return {"alkalinity": play.tank_alkalinity(read_s), "ph_total": ph_total, "salinity": salinity}

    def _added(self) -> None:
        """Judge an addition that begins: a drive that a process told to turn, and not what runs by itself."""
        world = self._world
        adding = [head for name, head in world.pumps.items() if name != "waste" and not head.runaway]
        if not any(head.power > 0.0 or head.trains for head in adding):
            return
        now_s = self._clock.monotonic()
        if self._unproved_deaths:
            empty_ml = world.residue_ml + world.residue_extra_ml + CELL_CLEAR_ML
            self.found.demand(
                "empty is proved before a restarted service adds",
                min(world.lowest_ml, world.volume_ml()) <= max(empty_ml, world.cell_ml),
                f"it holds {world.volume_ml():.1f} mL",
            )
            self._unproved_deaths = 0
        world.lowest_ml = inf
        self._read_latches()
        latched = sorted({name for name, cleared in self._latches.values() if not cleared} | set(self._owed))
        self.found.demand("a latched trip stays cut", not latched, f"{latched} had tripped, at {now_s / 3600.0:.4f} h")

    # The verdict --------------------------------------------------------------------

    def judge(self) -> Outcome:
        """Judge the whole case."""
        now_s = self._clock.monotonic()
        self._look(now_s)
        self._read_results()
        self._judge_liquids()
        self._judge_times()
        results = sorted(self._results.values(), key=lambda result: result.ended_s)
        self.found.trips = {name for name, _ in self._latches.values()} | {role for role, _ in self._owed_ever}
        self.found.alerts = {code for _, code in self.outlet.heard} - NOT_OF_A_FAULT
        self.found.verdicts = [result.verdict for result in results]
        self._judge_results(results)
        self._judge_records(results)
        self._judge_alerts(results, now_s)
        self.file.close()
        return self.found

    def _judge_liquids(self) -> None:
        demand, world, limits = self.found.demand, self._world, self._limits
        truth, capacity_ml = world.spilled, world.capacity_ml
        demand("nothing spilled", truth.spilled_ml == 0.0, f"{truth.spilled_ml:.2f} mL")
        beside_ml = 0.0 if any(is_blind(fault, "beside") for fault in self._faults) else truth.beside_ml
        demand("what runs beside is bounded", beside_ml <= capacity_ml, f"{beside_ml:.0f} mL")
        demand("vessel within capacity", truth.peak_vessel_ml <= capacity_ml, f"{truth.peak_vessel_ml:.1f} mL")
        demand("no acid to the tank", truth.titrant_to_tank_ml == 0.0, f"{truth.titrant_to_tank_ml:.3f} mL")
        run_ml = truth.max_titrant_in_one_run_ml
        demand("acid of a run within its ceiling", run_ml <= 1.15 * limits.titrant_per_run_ml, f"{run_ml:.1f} mL")
        day_ml = max(truth.titrant_by_day_ml.values(), default=0.0)
        demand("acid of a day within its ceiling", day_ml <= limits.titrant_per_day_ml, f"{day_ml:.0f} mL")

    def _judge_times(self) -> None:
        truth, heads = self._world.spilled, self._world.pumps.values()
        lapse_s = max(head.lapse_s for head in heads)
        shorted = any(kind.endswith("-runaway") for kind in self._kinds)  # stops with its permit, and not before
        deadline_s = EDGE_S + (lapse_s if shorted else 0.0)
        after_s = truth.max_moving_s_after_trip
        self.found.demand("trips within their deadline", after_s <= deadline_s + 1e-6, f"{after_s:.2f} s after it")
        stuck = "permit-stuck-on" in self._kinds
        allowed_s = (SAFE_OFF_S if stuck else min(SAFE_OFF_S, lapse_s)) + SCAN_S
        dead_s = truth.max_moving_s_after_death
        both_failed = stuck and shorted  # nothing on a computer stops it: the second float does
        self.found.demand("off after a death", dead_s <= allowed_s or both_failed, f"{dead_s:.2f} s after it")

    def _judge_results(self, results: Sequence[Result]) -> None:
        for result in results:
            if result.verdict == "accepted":
                before = [role for role, at_s in self._owed.items() if at_s < result.begun_s]
                self.found.demand(
                    "no result accepted after a trip", not before, f"{before} had tripped, result {result.row['id']}"
                )
            for name, resolution in RESOLUTION.items():
                value, u, verdict = (result.row[column] for column in COLUMNS[name])
                if verdict != "accepted" or (name == "alkalinity" and result.row["source"] == "reference"):
                    continue  # what counts of a reference is its factor: the tank's results after it are judged
                off = value - result.truth[name]
                self.found.worst[name] = max(self.found.worst.get(name, 0.0), abs(off) / u)
                self.found.errors.setdefault(name, []).append(off)
                blind = any(is_blind(fault, name, begins=at_s > result.begun_s) for fault, at_s in self._while(result))
                if abs(off) <= 3.0 * u + resolution or blind:
                    continue
                self.found.lies.append(Lie(name, result.row["id"], off, u))
                seen = f"{name} of {result.row['id']}: off by {abs(off):.4g}, u {u:.3g}"
                self.found.demand("no accepted lie", False, seen)

    def _while(self, result: Result) -> list[tuple[Mapping[str, Any], float]]:
        """Return the faults that lasted at some time while a result came about, and when each began."""
        begun = [*self._begun, *((f, 3600.0 * f["at_h"]) for f in self._faults if f.get("at_h") is not None)]
        return [
            (fault, at_s)
            for fault, at_s in begun
            if at_s <= result.ended_s and result.begun_s <= at_s + 3600.0 * fault.get("for_h", inf)
        ]

    def _judge_records(self, results: Sequence[Result]) -> None:
        if any(is_blind(fault, "records") for fault in self._faults):
            return
        demand, rows = self.found.demand, self.file.results()
        kept = {row["id"] for row in rows or []} | self.file.set_aside()
        numbers = [result.row["id"] for result in results]
        demand("no record lost", set(numbers) <= kept, f"{sorted(kept)} of {numbers} are kept {self.file.trouble}")
        demand("no record lost", numbers == list(range(1, len(numbers) + 1)), str(numbers))
        other_acid = any(kind.endswith("-runaway") or kind in RUNS_BY_ITSELF for kind in self._kinds)
        enough = other_acid or bool(self._kinds & TAKES_NOTHING) or self._titrated <= len(numbers)
        demand("no record lost", enough, f"{self._titrated} fillings were titrated, {len(numbers)} are kept")

    def _judge_alerts(self, results: Sequence[Result], now_s: float) -> None:
        outlet, demand = self.outlet, self.found.demand
        patience_s = HEARD_S + LOOKS_S + self._held_up_s
        for role, at_s in self._owed_ever:
            until_s = at_s + patience_s + self._dead_s
            told = f"interlock-{role}" in outlet.between(at_s - self._held_up_s - OWED_AFTER_S - LOOKS_S, until_s)
            demand("told in time", told or until_s > now_s, f"{role} since {at_s / 3600.0:.4f} h, and not told")
        sound_s = 0.0
        for result in results:
            if result.row["source"] == "reference":
                continue  # who standardises is there, and is shown it
            if _waits_for_the_next(result, results):
                continue
            if result.verdict in ("void", "suspect"):
                until_s = result.ended_s + patience_s + self._dead_s
                told = bool(outlet.between(sound_s, until_s) - NOT_OF_A_FAULT)
                seen = f"{result.verdict} at {result.ended_s:.0f} s, and no alert since {sound_s:.0f} s"
                demand("told of what is not harmless", told or until_s > now_s, seen)
            elif result.verdict == "accepted":
                sound_s = result.begun_s
        missing = len(results) < self._wanted and not HOLDS_STARTS & set(self._orders)
        troubled = missing or bool(self.found.trips)
        heard_any = bool(self.found.alerts)
        demand("told of what is not harmless", heard_any or not troubled, f"{self.found.verdicts}, no alert")


def _waits_for_the_next(result: Result, results: Sequence[Result]) -> bool:
    """Return whether a result is the first to count but for a second one, which begins at once."""
    before = [one.verdict for one in results if one.begun_s < result.begun_s]
    follows = any(result.begun_s < one.begun_s <= result.ended_s + FOLLOWS_S for one in results)
    waits = json.loads(result.row["alkalinity_reasons"]) == ["first-result"]
    return waits and follows and "accepted" not in before


RUNS_BY_ITSELF = {"head-leak", "siphon-through-head", "permit-stuck-on"}
"""Faults by which acid may come into the vessel without a determination."""

TAKES_NOTHING = {"disk-full", "disk-readonly"}
"""Where a disk takes nothing, a result waits in memory, and a death ends it there: nothing else is promised."""
