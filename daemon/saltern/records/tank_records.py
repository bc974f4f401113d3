"""What was known of the tank and reported: a row a day, and each finding. Views show them to others."""

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from saltern.records.store import Store
from saltern.records.tank_history import Known
from saltern.tank.findings import Ask, Cause, Finding, Whose
from saltern.tank.shocks import Shock


@dataclass(frozen=True)
class Day:
    """A day of the tank as it stood after its newest result; None is unknown. Uncertainties are k = 1."""

    day: str
    at: datetime
    results: int
    alkalinity_dkh: float | None
    alkalinity_u_dkh: float | None
    consumption_dkh_per_day: float | None
    consumption_u_dkh_per_day: float | None
    net_dkh_per_day: float | None
    net_u_dkh_per_day: float | None
    dose_dkh_per_day: float | None
    correction_dkh: float | None
    withheld_because: str | None


def keep_tank(store: Store, day: Day | None, reported: Sequence[Finding], found: Known) -> None:
    """Keep a day in the place of what its earlier results said of it, and findings that are new."""
    with store.writing("the tank's day") as connection:
        if day is not None:
            connection.execute("DELETE FROM tank_daily WHERE day = ?", (day.day,))
            connection.execute(
                "INSERT INTO tank_daily (day, at_utc, results, alkalinity_dkh, alkalinity_u_dkh, "
                "consumption_dkh_per_day, consumption_u_dkh_per_day, net_dkh_per_day, net_u_dkh_per_day, "
                "dose_dkh_per_day, correction_dkh, withheld_because) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    day.day, _utc(day.at), day.results, day.alkalinity_dkh, day.alkalinity_u_dkh,
                    day.consumption_dkh_per_day, day.consumption_u_dkh_per_day, day.net_dkh_per_day,
                    day.net_u_dkh_per_day, day.dose_dkh_per_day, day.correction_dkh, day.withheld_because,
                ),
            )  # fmt: skip
        for one in reported:
            connection.execute(
                "INSERT INTO finding (id, at_utc, since_utc, whose, cause, probability, size, u, unit, supersedes, "
                "ask, cost_ml, shape) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    one.id, _utc(found.time_of(one.at_d)), _utc(found.time_of(one.since_d)), one.whose.value,
                    one.cause.value, one.probability, one.size, one.u, one.unit, one.supersedes,
                    None if one.ask is None else one.ask.value, one.cost_ml,
                    None if one.shape is None else one.shape.value,
                ),
            )  # fmt: skip


def findings(store: Store, found: Known, until: datetime) -> list[Finding]:
    """Return the findings that were reported until a moment, in their order."""
    return store.each("finding", lambda row: _finding(row, found), "WHERE at_utc <= ? ORDER BY id", (_utc(until),))


def next_finding(store: Store) -> int:
    """Return the number of the next finding; one whose row is damaged keeps its own."""
    return int(store.rows("SELECT coalesce(max(id), 0) + 1 FROM finding")[0][0])


def last_kept(store: Store) -> datetime | None:
    """Return up to which result the tank was looked at, or None."""
    rows = store.each("tank_daily", _at, "ORDER BY at_utc DESC", limit=1)
    return rows[0] if rows else None


def _at(row: sqlite3.Row) -> datetime:
    return datetime.fromisoformat(row["at_utc"])


def _finding(row: sqlite3.Row, found: Known) -> Finding:
    return Finding(
        id=int(row["id"]),
        at_d=found.day_of(datetime.fromisoformat(row["at_utc"])),
        since_d=found.day_of(datetime.fromisoformat(row["since_utc"])),
        whose=Whose(row["whose"]),
        cause=Cause(row["cause"]),
        probability=float(row["probability"]),
        size=float(row["size"]),
        u=float(row["u"]),
        unit=str(row["unit"]),
        supersedes=row["supersedes"],
        ask=None if row["ask"] is None else Ask(row["ask"]),
        cost_ml=row["cost_ml"],
        shape=None if row["shape"] is None else Shock(row["shape"]),
    )


def _utc(at: datetime) -> str:
    return at.astimezone(UTC).isoformat(timespec="milliseconds")
