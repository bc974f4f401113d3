"""The cause-and-effect table: what is watched, when it acts, what it cuts, and what it leaves.

A *permissive* blocks while its cause lasts. A *trip* latches, across restarts, until an operator resets it and its
cause has gone. Whatever is wrong never cuts more than its row says: an overfull vessel can still be emptied.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, fields
from typing import Literal

from saltern.model.alert import Severity

ALL_PUMPS = frozenset({"sample", "waste", "titrant"})
ADDING_PUMPS = frozenset({"sample", "titrant"})

EDGE_S = 0.25
REVERSED_S = 2.0
"""A splash or a wave lifts the float for less (assumed); a waste pump gives a few mL in it."""

NEXT_ADDITION = 0.0
DEVICE_ABSENT = "device-absent"
"""The row that each device reports by itself, with its own name and remedy."""


@dataclass(slots=True)
class Noticed:
    """What readings and procedures gave reason to think, until they give reason to think otherwise."""

    drain_failed: bool = False
    drain_unproved: bool = False
    sample_missing: bool = False
    titrant_unanswered: bool = False
    mixing_slow: bool = False
    ph_fault: bool = False
    conductivity_fault: bool = False
    temperature_fault: bool = False
    device_absent: bool = False
    liquid_unasked: bool = False
    permit_failed: bool = False
    permit_slow: bool = False
    direction_wrong: bool = False
    clock_untrusted: bool = False
    proof_overdue: bool = False
    records_lost: bool = False


NOTICED = tuple(f.name for f in fields(Noticed))


@dataclass(slots=True)
class Snapshot(Noticed):
    """What one scan sees: inputs, ledger, times, and what the bench and its procedures have noticed."""

    overfill: bool = True
    leak: bool = True
    stop: bool = True
    waste_full: bool = False
    vessel_high_ml: float = 0.0
    overfill_ml: float = 0.0
    titrant_run_ml: float = 0.0
    titrant_run_limit_ml: float = 0.0
    titrant_recent_ml: float = 0.0
    titrant_day_limit_ml: float = 0.0
    titrant_left_ml: float = 0.0
    waste_high_ml: float = 0.0
    waste_room_ml: float = 0.0
    overtime: bool = False
    reading_age_s: float = 0.0  # of the probe that the stage under way needs; 0 when it needs none
    reading_limit_s: float = 1.0
    storage_failed: bool = False
    motions: int = 0
    float_up_in_drain_s: float = 0.0  # how long, in a drain that began with it down, the cell still wet
    tray_wetted_in_drain: bool = False  # a drain is under way that began with a dry tray


@dataclass(frozen=True)
class Row:
    """One line of the table.

    `condition` depends on what is seen and on nothing else: the guard asks it anew only where that has changed.
    `holds_starts`: no determination starts by schedule while the row acts; an operator may still ask for one, as far
    as the pumps that it leaves go. `bypassable`: it guards the number and not the room, and may be bypassed for a time.
    `clears_itself`: the next drain or fill of what is under way may end it, so that its alert waits for that.
    """

    name: str
    watches: str
    condition: Callable[[Snapshot], bool]
    cuts: frozenset[str]
    kind: Literal["trip", "permissive"]
    deadline_s: float  # 0: before the next addition
    severity: Severity
    remedy: str
    holds_starts: bool = False
    bypassable: bool = False
    clears_itself: bool = False
    leaves: frozenset[str] = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "leaves", ALL_PUMPS - self.cuts)


def vessel_overfull(seen: Snapshot) -> bool:
    return seen.overfill


def tray_wet(seen: Snapshot) -> bool:
    return seen.leak


def float_rises_in_a_drain(seen: Snapshot) -> bool:
    return seen.float_up_in_drain_s >= REVERSED_S


def tray_becomes_wet_in_a_drain(seen: Snapshot) -> bool:
    return seen.tray_wetted_in_drain


def stop_pressed(seen: Snapshot) -> bool:
    return seen.stop


def bound_reaches_float(seen: Snapshot) -> bool:
    return seen.vessel_high_ml > seen.overfill_ml


def run_ceiling_reached(seen: Snapshot) -> bool:
    return seen.titrant_run_ml > seen.titrant_run_limit_ml


def day_ceiling_reached(seen: Snapshot) -> bool:
    return seen.titrant_recent_ml > seen.titrant_day_limit_ml


def motion_overdue(seen: Snapshot) -> bool:
    return seen.overtime


def reading_too_old(seen: Snapshot) -> bool:
    return seen.reading_age_s > seen.reading_limit_s


def no_room_for_waste(seen: Snapshot) -> bool:
    return seen.waste_full or seen.waste_high_ml > seen.waste_room_ml


def bottle_empty(seen: Snapshot) -> bool:
    return seen.titrant_left_ml <= 0.0


def storage_not_writable(seen: Snapshot) -> bool:
    return seen.storage_failed


def two_motions_at_once(seen: Snapshot) -> bool:
    return seen.motions > 1


def still_wet_after_draining(seen: Snapshot) -> bool:
    return seen.drain_failed


def dry_without_having_been_wet(seen: Snapshot) -> bool:
    return seen.drain_unproved


def cell_dry_after_filling(seen: Snapshot) -> bool:
    return seen.sample_missing


def no_response_to_titrant(seen: Snapshot) -> bool:
    return seen.titrant_unanswered


def mixes_too_slowly(seen: Snapshot) -> bool:
    return seen.mixing_slow


def ph_reading_impossible(seen: Snapshot) -> bool:
    return seen.ph_fault


def conductivity_reading_impossible(seen: Snapshot) -> bool:
    return seen.conductivity_fault


def temperature_reading_impossible(seen: Snapshot) -> bool:
    return seen.temperature_fault


def not_reached(seen: Snapshot) -> bool:
    return seen.device_absent


def liquid_moved_unasked(seen: Snapshot) -> bool:
    return seen.liquid_unasked


def moved_without_permit(seen: Snapshot) -> bool:
    return seen.permit_failed


def lapses_too_late(seen: Snapshot) -> bool:
    return seen.permit_slow


def turned_the_wrong_way(seen: Snapshot) -> bool:
    return seen.direction_wrong


def wall_clock_not_trusted(seen: Snapshot) -> bool:
    return seen.clock_untrusted


def proof_test_overdue(seen: Snapshot) -> bool:
    return seen.proof_overdue


def state_not_known(seen: Snapshot) -> bool:
    return seen.records_lost


TABLE: tuple[Row, ...] = (
    Row(
        "overfill",
        "overfill float",
        vessel_overfull,
        ADDING_PUMPS,
        "trip",
        EDGE_S,
        Severity.CRITICAL,
        "Check the waste line and the pump. Run `saltern empty`, then run `saltern reset`",
    ),
    Row(
        "leak",
        "tray leak sensor",
        tray_wet,
        ADDING_PUMPS,
        "trip",
        EDGE_S,
        Severity.ALERT,
        "Find where the water comes from, dry the tray, then run `saltern reset`",
    ),
    Row(
        "waste-reversed",
        "overfill float and conductivity cell while draining",
        float_rises_in_a_drain,
        ALL_PUMPS,
        "trip",
        EDGE_S,
        Severity.ALERT,
        "The vessel fills while the waste pump turns. Check the pump's tubing and its polarity (or its direction "
        "wire), then run `saltern reset`",
    ),
    Row(
        "drain-leaks",
        "tray leak sensor while draining",
        tray_becomes_wet_in_a_drain,
        ALL_PUMPS,
        "trip",
        EDGE_S,
        Severity.ALERT,
        "Check the waste line and the container: a drain wetted the tray; dry it, then run `saltern reset`",
    ),
    Row(
        "stop",
        "stop button",
        stop_pressed,
        ALL_PUMPS,
        "trip",
        EDGE_S,
        Severity.WARNING,
        "Release the button, then run `saltern reset`",
    ),
    Row(
        "overtime",
        "drive against its computed time",
        motion_overdue,
        ALL_PUMPS,
        "trip",
        EDGE_S,
        Severity.CRITICAL,
        "A pump did not end its motion; check its driver and wiring, then run `saltern reset`",
    ),
    Row(
        "waste-full",
        "waste container switch and ledger",
        no_room_for_waste,
        ALL_PUMPS,
        "permissive",
        EDGE_S,
        Severity.ERROR,
        "Empty the waste container, then run `saltern part emptied waste`",
    ),
    Row(
        "volume-bound",
        "ledger, upper bound of the vessel",
        bound_reaches_float,
        ADDING_PUMPS,
        "permissive",
        NEXT_ADDITION,
        Severity.ERROR,
        "Run `saltern empty`: the vessel must be proved empty before anything is added",
        clears_itself=True,
    ),
    Row(
        "titrant-run",
        "ledger, titrant in this run",
        run_ceiling_reached,
        frozenset({"titrant"}),
        "permissive",
        NEXT_ADDITION,
        Severity.ERROR,
        "Run `saltern empty`, then check the titrant's strength and the limit limits.titrant_per_run_ml",
        clears_itself=True,
    ),
    Row(
        "titrant-day",
        "ledger, titrant in a day of running",
        day_ceiling_reached,
        frozenset({"titrant"}),
        "permissive",
        NEXT_ADDITION,
        Severity.ERROR,
        "Wait: the allowance refills while the service runs; or measure less often",
    ),
    Row(
        "titrant-empty",
        "ledger, titrant bottle",
        bottle_empty,
        frozenset({"titrant"}),
        "permissive",
        NEXT_ADDITION,
        Severity.ERROR,
        "Replace the bottle, then run `saltern part replaced titrant`",
    ),
    Row(
        "reading-stale",
        "age of the reading that the stage needs",
        reading_too_old,
        ADDING_PUMPS,
        "permissive",
        EDGE_S,
        Severity.ERROR,
        "Check the probe's board, cable and port",
    ),
    Row(
        "storage",
        "last commit",
        storage_not_writable,
        ADDING_PUMPS,
        "permissive",
        NEXT_ADDITION,
        Severity.ERROR,
        "Make room on the disk, or make it writable; it is tried again by itself",
    ),
    Row(
        "two-motions",
        "motions under way",
        two_motions_at_once,
        ALL_PUMPS,
        "trip",
        EDGE_S,
        Severity.CRITICAL,
        "A fault of the program: report it with the log, then run `saltern reset`",
    ),
    Row(
        "unasked",
        "cell or electrode, with every drive at rest",
        liquid_moved_unasked,
        ADDING_PUMPS,
        "trip",
        NEXT_ADDITION,
        Severity.ALERT,
        "A pump's drive is shorted, or water comes from elsewhere: take the bench off its supply, repair, then run "
        "`saltern reset`",
    ),
    Row(
        "permit-stuck",
        "cell or electrode, with a drive on and its permit dropped",
        moved_without_permit,
        ADDING_PUMPS,
        "trip",
        NEXT_ADDITION,
        Severity.ALERT,
        "A run-permit does not cut its pump: repair its one-shot or switch, then run `saltern reset`",
    ),
    Row(
        "permit-slow",
        "cell, with the sample pump's drive on and its permit no longer kicked",
        lapses_too_late,
        ADDING_PUMPS,
        "trip",
        NEXT_ADDITION,
        Severity.ALERT,
        "The sample pump's permit holds longer than is known of it: repair its one-shot, or measure it with "
        "`saltern bring-up permits`, then run `saltern reset`",
    ),
    Row(
        "direction",
        "cell, while the sample pump was to turn back",
        turned_the_wrong_way,
        ADDING_PUMPS,
        "trip",
        NEXT_ADDITION,
        Severity.ALERT,
        "The sample pump turns forward when it should turn back: check its direction wire, then run `saltern reset`",
    ),
    Row(
        "records-lost",
        "records against the small files beside them",
        state_not_known,
        ADDING_PUMPS,
        "trip",
        NEXT_ADDITION,
        Severity.CRITICAL,
        "Check the vessel, bottle, waste container, tray and lines; reset; then say what is so: "
        "`saltern part emptied waste`, `saltern part replaced titrant`, `saltern empty`",
    ),
    Row(
        "drain-failed",
        "conductivity cell while draining",
        still_wet_after_draining,
        ADDING_PUMPS,
        "permissive",
        NEXT_ADDITION,
        Severity.ERROR,
        "Check the waste line, its tube and the container, then run `saltern empty`",
        clears_itself=True,
    ),
    Row(
        "drain-unproved",
        "conductivity cell while draining",
        dry_without_having_been_wet,
        frozenset({"titrant"}),
        "permissive",
        NEXT_ADDITION,
        Severity.WARNING,
        "The cell fell dry too early, or was dry before: check it; the next drain proves the vessel",
        clears_itself=True,
    ),
    Row(
        "sample-low",
        "conductivity cell after a fill",
        cell_dry_after_filling,
        frozenset({"titrant"}),
        "permissive",
        NEXT_ADDITION,
        Severity.ERROR,
        "Check the sample line's inlet, its tube and the pump head",
        clears_itself=True,
    ),
    Row(
        "titrant-unanswered",
        "electrode against the titrant given",
        no_response_to_titrant,
        frozenset({"titrant"}),
        "permissive",
        NEXT_ADDITION,
        Severity.ERROR,
        "Check the titrant bottle, air in its line, the pump head, and the pH probe",
        clears_itself=True,
    ),
    Row(
        "stirrer",
        "the stirrer's sensor, and the time in which the electrode settles after a dose",
        mixes_too_slowly,
        frozenset({"titrant"}),
        "permissive",
        NEXT_ADDITION,
        Severity.ERROR,
        "Check whether the stirrer turns and its bar is in place; it is tried again with the next determination",
        clears_itself=True,
    ),
    Row(
        "ph-fault",
        "pH board",
        ph_reading_impossible,
        frozenset({"titrant"}),
        "permissive",
        NEXT_ADDITION,
        Severity.ERROR,
        "Check the pH probe, its plug and its board; it clears with the next good reading",
    ),
    Row(
        "conductivity-fault",
        "conductivity board",
        conductivity_reading_impossible,
        ADDING_PUMPS,
        "permissive",
        NEXT_ADDITION,
        Severity.ERROR,
        "Check the conductivity cell, its plug and its board; it clears with the next good reading",
    ),
    Row(
        "temperature-fault",
        "temperature board",
        temperature_reading_impossible,
        frozenset({"titrant"}),
        "permissive",
        NEXT_ADDITION,
        Severity.ERROR,
        "Check the temperature probe, its plug and its board; it clears with the next good reading",
        bypassable=True,
    ),
    Row(
        DEVICE_ABSENT,
        "ports of boards, pumps and permits",
        not_reached,
        frozenset({"titrant"}),
        "permissive",
        NEXT_ADDITION,
        Severity.ERROR,
        "Check the cable and the supply of what `saltern status` names; its port reopens automatically",
        holds_starts=True,
    ),
    Row(
        "clock",
        "wall clock against the records",
        wall_clock_not_trusted,
        frozenset(),
        "permissive",
        NEXT_ADDITION,
        Severity.WARNING,
        "Set the clock, or look why it is not synchronised; starts by the wall clock wait",
        holds_starts=True,
        bypassable=True,
    ),
    Row(
        "proof-test",
        "date of the last proof test",
        proof_test_overdue,
        frozenset(),
        "permissive",
        NEXT_ADDITION,
        Severity.WARNING,
        "Run `saltern proof-test`: every interlock is provoked once, by hand",
        holds_starts=True,
        bypassable=True,
    ),
)


def as_table() -> list[dict[str, str]]:
    """Return the rows in words, for screens and documents."""
    return [
        {
            "interlock": row.name,
            "watches": row.watches,
            "when": row.condition.__name__.replace("_", " "),
            "cuts": ", ".join(sorted(row.cuts)) or ("scheduled starts" if row.holds_starts else "nothing"),
            "leaves": ", ".join(sorted(row.leaves)) or "nothing",
            "kind": row.kind,
            "within": f"{row.deadline_s:g} s" if row.deadline_s else "before the next addition",
            "severity": row.severity.for_the_keeper,
            "remedy": row.remedy,
        }
        for row in TABLE
    ]


def as_markdown() -> str:
    """Return the table as a page: what `saltern check --interlocks` prints, and the documents hold."""
    columns = ("interlock", "watches", "when", "cuts", "leaves", "kind", "within", "severity", "remedy")
    lines = [
        "# Interlocks",
        "",
        "Cause and effect, printed by `saltern check --interlocks`; do not edit. A *permissive* blocks while its",
        "cause lasts; a *trip* latches, across restarts, until an operator resets it and its cause has gone. A broken",
        "wire, a missing or a stale reading counts as the cause. Whatever acts, `saltern empty` is possible unless",
        "waste is cut.",
        "",
        f"| {' | '.join(columns)} |",
        f"|{'---|' * len(columns)}",
    ]
    lines += [f"| {' | '.join(row[column] for column in columns)} |" for row in as_table()]
    return "\n".join(lines) + "\n"
