"""The cause-and-effect table: what is watched, when it acts, what it cuts, and what it leaves.

A *permissive* blocks while its cause lasts. A *trip* latches, across restarts, until an operator resets it and its
cause has gone. Whatever is wrong never cuts more than its row says: an overfull vessel can still be emptied.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

from saltern.alerts import Severity

ALL_PUMPS = frozenset({"sample", "waste", "titrant"})
ADDING_PUMPS = frozenset({"sample", "titrant"})

EDGE_S = 0.25
NEXT_ADDITION = 0.0


@dataclass(slots=True)
class Snapshot:
    """What one scan sees."""

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


@dataclass(frozen=True)
class Row:
    """One line of the table."""

    name: str
    watches: str
    condition: Callable[[Snapshot], bool]
    cuts: frozenset[str]
    kind: Literal["trip", "permissive"]
    deadline_s: float  # 0: before the next addition
    severity: Severity
    remedy: str
    leaves: frozenset[str] = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "leaves", ALL_PUMPS - self.cuts)


def vessel_overfull(seen: Snapshot) -> bool:
    return seen.overfill


def tray_wet(seen: Snapshot) -> bool:
    return seen.leak


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


TABLE: tuple[Row, ...] = (
    Row(
        "overfill",
        "overfill float",
        vessel_overfull,
        ADDING_PUMPS,
        "trip",
        EDGE_S,
        Severity.CRITICAL,
        "Look at the waste line and pump; run `saltern empty`; then reset",
    ),
    Row(
        "leak",
        "tray leak sensor",
        tray_wet,
        ALL_PUMPS,
        "trip",
        EDGE_S,
        Severity.ALERT,
        "Find where the water comes from, dry the tray, then reset",
    ),
    Row(
        "stop",
        "stop button",
        stop_pressed,
        ALL_PUMPS,
        "trip",
        EDGE_S,
        Severity.WARNING,
        "Release the button, then reset",
    ),
    Row(
        "overtime",
        "drive against its computed time",
        motion_overdue,
        ALL_PUMPS,
        "trip",
        EDGE_S,
        Severity.CRITICAL,
        "A pump did not end its motion; check its driver and wiring, then reset",
    ),
    Row(
        "waste-full",
        "waste container switch and ledger",
        no_room_for_waste,
        ALL_PUMPS,
        "permissive",
        EDGE_S,
        Severity.ERROR,
        "Empty the waste container and say so with `saltern part BENCH.toml emptied waste`",
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
    ),
    Row(
        "titrant-run",
        "ledger, titrant in this run",
        run_ceiling_reached,
        frozenset({"titrant"}),
        "permissive",
        NEXT_ADDITION,
        Severity.ERROR,
        "Run `saltern empty`; check the titrant's strength and the ceiling limits.titrant_per_run_ml",
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
        "Replace the bottle and say so with `saltern part BENCH.toml replaced titrant`",
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
)


def as_table() -> list[dict[str, str]]:
    """Return the rows in words, for screens and documents."""
    return [
        {
            "interlock": row.name,
            "watches": row.watches,
            "when": row.condition.__name__.replace("_", " "),
            "cuts": ", ".join(sorted(row.cuts)),
            "leaves": ", ".join(sorted(row.leaves)) or "nothing",
            "kind": row.kind,
            "within": f"{row.deadline_s:g} s" if row.deadline_s else "before the next addition",
            "severity": row.severity.for_the_keeper,
            "remedy": row.remedy,
        }
        for row in TABLE
    ]
