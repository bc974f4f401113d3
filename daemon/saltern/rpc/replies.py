"""What each method of the socket answers with, as models: the published schema comes from them, and tests hold to it.

A service does not check its own replies by them: it would cost a small computer what a mistake of ours is worth.
"""

from typing import Any

from pydantic import BaseModel, ConfigDict

from saltern.chemistry.alkalinity_unit import AlkalinityUnit
from saltern.model.calibration import Kind
from saltern.model.determination import Source
from saltern.model.logbook import Entry
from saltern.model.phase import Phase
from saltern.model.verdict import Reason, Verdict

Interval = tuple[float, float]


class Reply(BaseModel):
    """Named, typed, none unknown; numbers are finite. Times are ISO 8601 in UTC, uncertainties k = 1."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Judged(Reply):
    """`u` in its two parts: the result's own, and what it shares with others, by what it shares."""

    u: float | None
    u_own: float | None
    u_shared: float | None
    epochs: dict[str, float]
    verdict: Verdict
    reasons: list[Reason]


class Value(Judged):
    value: float | None


class Alkalinity(Judged):
    umol_per_kg: float | None
    dkh: float | None


class PhAtTank(Reply):
    value: float
    u: float
    temperature_c: float


class Ph(Value):
    """At the vessel's temperature, and at the tank's where the bench file says that."""

    scale: str
    temperature_c: float | None
    at_tank: PhAtTank | None


class Change(Reply):
    hours: float
    umol_per_kg: float
    u: float
    dkh: float
    u_dkh: float
    across_titre_factors: bool


class Determination(Reply):
    id: int
    source: Source
    started_utc: str
    started_s: float
    method: str
    alkalinity: Alkalinity
    ph_total: Ph
    salinity: Value
    change: Change | None = None
    ph_nbs: float | None
    temperature_c: float | None
    titrant_ml: float
    budget_umol_per_kg: dict[str, float]
    budget_ph: dict[str, float]
    remarks: list[str]


class SoFar(Reply):
    """What the readings of a titration come to while it goes on; it is no result."""

    umol_per_kg: float
    dkh: float


class UnderWay(Reply):
    """What runs; a determination has its number, a procedure says whether it asks somebody.

    A determination says which phase it has come to, of how many, and about how long it still takes, as of that phase's
    begin or of the last point of its curve.
    """

    what: str
    phase: str
    points: list[tuple[float, float]]
    id: int | None = None
    guided: bool | None = None
    turn: int | None = None
    turns: int | None = None
    left_s: float | None = None
    so_far: SoFar | None = None


class Question(Reply):
    key: str
    text: str
    unit: str | None
    low: float | None
    high: float | None


class Trend(Reply):
    umol_per_kg_per_day: float
    u: float
    results: int
    days: int


class Slot(Reply):
    at_utc: str
    why: str


class Titrant(Reply):
    left_ml: Interval
    days_left: float


class Waste(Reply):
    in_ml: Interval
    room_ml: float


class Refused(Reply):
    what: str
    remedy: str


class Start(Reply):
    due: bool
    why: str
    refused: Refused | None


class Interlock(Reply):
    name: str
    kind: str
    remedy: str


class Alert(Reply):
    code: str
    severity: str
    for_the_keeper: str
    since_utc: str
    text: str
    means: str
    do: str


class Bypass(Reply):
    name: str
    left_h: float


class Device(Reply):
    place: str
    where: str
    up: bool
    returns: int
    trouble: str | None
    remedy: str | None


class Part(Reply):
    name: str
    installed_utc: str | None
    due_utc: str | None
    overdue: bool | None
    running_h: float | None
    litres: float | None


class InForce(Reply):
    kind: Kind
    id: int
    at_utc: str
    words: str


class Commissioned(Reply):
    at_utc: str | None
    who: str
    why: str


class Copy(Reply):
    """Where the records are copied to, and when they last were."""

    to: str
    at_utc: str | None


class Absence(Reply):
    until_utc: str
    gap_h: float


class BringUpItem(Reply):
    """A line of the checklist: a step, a procedure that follows them, or the proof test; and when it was passed."""

    name: str
    title: str
    command: str
    passed_utc: str | None
    who: str | None
    words: str | None


class BringUp(Reply):
    """What is on record of the first day; `next` is the first line that is not."""

    items: list[BringUpItem]
    done: int
    next: BringUpItem | None


class Status(Reply):
    """`tank` is what `saltern tank --json` prints, as it stood after the newest result, or null."""

    schema_version: int
    bench: str
    at_utc: str
    time_zone: str
    alkalinity_unit: AlkalinityUnit
    running: UnderWay | None
    question: Question | None
    last: Determination | None
    trend: Trend | None
    next: Slot | None
    start: Start
    titrant: Titrant
    waste: Waste
    waste_days: float
    vessel_ml: Interval
    interlocks: list[Interlock]
    alerts: list[Alert]
    conditions: dict[str, bool]
    bypasses: list[Bypass]
    devices: list[Device]
    parts: list[Part]
    commissioned: Commissioned | None
    bring_up: BringUp
    parked: str | None
    held_until: str | None
    calibrations: list[InForce]
    copied: Copy | None
    away: Absence | None
    tank: dict[str, Any] | None


class Hello(Reply):
    version: int
    bench: str
    scans: bool


class Measuring(Reply):
    id: int
    source: Source


class Stopping(Reply):
    stopping: UnderWay | None


class Done(Reply):
    done: list[str]
    acting: list[str]


class Logged(Reply):
    """What was written down: its number, when it happened, and what its keeper should know of it."""

    id: int
    at_utc: str
    note: str | None


class LogEntry(Reply):
    id: int
    at_utc: str
    entry: Entry
    who: str
    said_utc: str | None
    corrects: int | None
    batch: int | None
    undone_utc: str | None
    undone_by: str | None


class LogList(Reply):
    """Oldest first by when they happened; what was undone is among them."""

    time_zone: str
    alkalinity_unit: AlkalinityUnit
    at_utc: str
    supplements: list[str]
    entries: list[LogEntry]


class Undone(Reply):
    undone: list[int]


class LogLine(Reply):
    line: int
    at_utc: str


class Imported(Reply):
    """`asks` is what is unlikely; where there is some, and nobody was sure, nothing was kept: `batch` is null."""

    batch: int | None
    ids: list[int]
    rows: list[LogLine]
    asks: list[str]


class Conditions(Reply):
    conditions: dict[str, bool]


class Due(Reply):
    due: bool
    why: str


class Schedule(Reply):
    now: Due
    next: list[Slot]


class Results(Reply):
    time_zone: str
    alkalinity_unit: AlkalinityUnit
    determinations: list[Determination]


class Acknowledged(Reply):
    acknowledged: str


class AlertSent(Reply):
    sent: bool
    ways: list[str]


class AbsenceAsked(Absence):
    applied: bool


class PartDue(Reply):
    name: str
    due_utc: str


class Away(Reply):
    """What an absence comes to; back again, only that."""

    away: AbsenceAsked | None
    wanted: int | None = None
    by_titrant: int | None = None
    by_waste: int | None = None
    lasts: bool | None = None
    parts_due: list[PartDue] | None = None
    alerts_go_to: list[str] | None = None


class Reloaded(Reply):
    changed: list[str]


class Trial(Reply):
    interlock: str
    provoke: str
    put_back: str


class Trials(Reply):
    trials: list[Trial]


class Started(Reply):
    started: str


class Answered(Reply):
    answered: str


class Calibration(Reply):
    id: int
    at_utc: str
    kind: Kind
    by: str
    outcome: str
    in_force: bool
    words: str
    values: dict[str, Any]
    before: dict[str, Any]
    statistics: dict[str, float]
    readings: list[dict[str, Any]]


class Calibrations(Reply):
    calibrations: list[Calibration]


class Step(Reply):
    """A notification: a phase began, or a point of the curve was read."""

    phase: str
    in_phase: Phase | None
    at_s: float
    point: tuple[float, float] | None = None
    turn: int | None = None
    turns: int | None = None
    left_s: float | None = None
    so_far: SoFar | None = None


REPLIES: dict[str, type[Reply]] = {
    "hello": Hello,
    "status": Status,
    "follow": Status,
    "measure": Measuring,
    "stop": Stopping,
    "operate": Done,
    "log": Logged,
    "log-list": LogList,
    "log-undo": Undone,
    "log-correct": Logged,
    "log-import": Imported,
    "condition": Conditions,
    "schedule": Schedule,
    "results": Results,
    "acknowledge": Acknowledged,
    "alert-test": AlertSent,
    "away": Away,
    "reload": Reloaded,
    "trials": Trials,
    "guide": Started,
    "answer": Answered,
    "calibrations": Calibrations,
    "roll-back": Calibrations,
}
"""Method by method, what it answers with."""
