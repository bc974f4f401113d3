"""Records around the bench: which parts were put in when, the keeper's absence, bench files, and old curves."""

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime

from saltern.bench.usage import Usage
from saltern.records import blobs
from saltern.records.store import Store
from saltern.tank.away import Away


@dataclass(frozen=True)
class Installed:
    """A part as it was last put in, and what each pump had turned by then."""

    name: str
    at: datetime
    usage: Mapping[str, Usage] = field(default_factory=dict)
    note: str = ""


def install(store: Store, name: str, at: datetime, note: str = "") -> None:
    """Keep that a new part was put in, and what every pump had turned until then; what was there before stays."""
    turned = json.dumps({pump: asdict(used) for pump, used in usage(store).items()})
    with store.writing("a part") as connection:
        connection.execute(
            "INSERT INTO part (name, installed_utc, usage, note) VALUES (?, ?, ?, ?)", (name, _utc(at), turned, note)
        )


def installed(store: Store) -> dict[str, Installed]:
    """Return the newest of each part, by name."""
    rows = store.rows("SELECT name, installed_utc, usage, note FROM part ORDER BY installed_utc, id")
    return {
        row["name"]: Installed(
            row["name"],
            datetime.fromisoformat(row["installed_utc"]),
            {pump: Usage(**used) for pump, used in json.loads(row["usage"]).items()},
            row["note"],
        )
        for row in rows
    }


def usage(store: Store) -> dict[str, Usage]:
    """Return what each pump has turned since the records began."""
    rows = store.rows("SELECT pump, running_s, volume_ml, motions FROM usage")
    return {row["pump"]: Usage(row["running_s"], row["volume_ml"], row["motions"]) for row in rows}


def keep_usage(store: Store, turned: Mapping[str, Usage]) -> None:
    """Add what pumps have turned to what they had turned before."""
    with store.writing("pump hours") as connection:
        for pump, more in turned.items():
            connection.execute(
                "INSERT INTO usage (pump, running_s, volume_ml, motions) VALUES (?, ?, ?, ?) ON CONFLICT (pump) DO "
                "UPDATE SET running_s = running_s + excluded.running_s, volume_ml = volume_ml + excluded.volume_ml, "
                "motions = motions + excluded.motions",
                (pump, more.running_s, more.volume_ml, more.motions),
            )


def keep_state(store: Store, name: str, value: object, at: datetime) -> None:
    """Keep a state of the bench that outlives restarts; None forgets it."""
    with store.writing("a state") as connection:
        connection.execute("DELETE FROM state WHERE name = ?", (name,))
        if value is not None:
            connection.execute(
                "INSERT INTO state (name, value, set_utc) VALUES (?, ?, ?)", (name, json.dumps(value), _utc(at))
            )


def state(store: Store, name: str) -> object:
    """Return a state, or None."""
    rows = store.rows("SELECT value FROM state WHERE name = ?", (name,))
    return json.loads(rows[0]["value"]) if rows else None


def go_away(store: Store, away: Away | None) -> None:
    """Keep that the keeper is away, or back."""
    with store.writing("an absence") as connection:
        connection.execute("DELETE FROM away")
        if away is not None:
            connection.execute("INSERT INTO away (until_utc, gap_h) VALUES (?, ?)", (_utc(away.until), away.gap_h))


def away_now(store: Store, now: datetime) -> Away | None:
    """Return the absence that holds now."""
    rows = store.rows("SELECT until_utc, gap_h FROM away WHERE until_utc > ?", (_utc(now),))
    return Away(datetime.fromisoformat(rows[0]["until_utc"]), rows[0]["gap_h"]) if rows else None


def keep_bench_file(store: Store, text: str, at: datetime) -> None:
    """Keep a bench file, with the calibrations in it, if it is not what was kept last."""
    if newest_bench_file(store) != text:
        with store.writing("the bench file") as connection:
            connection.execute("INSERT INTO bench_file (at_utc, text) VALUES (?, ?)", (_utc(at), text))


def newest_bench_file(store: Store) -> str | None:
    rows = store.rows("SELECT text FROM bench_file ORDER BY id DESC LIMIT 1")
    return rows[0]["text"] if rows else None


def keep_proof(store: Store, interlock: str, *, passed: bool, who: str, at: datetime) -> None:
    """Keep that an interlock was provoked by hand, and whether it acted."""
    with store.writing("a proof test") as connection:
        connection.execute(
            "INSERT INTO proof (at_utc, interlock, passed, who) VALUES (?, ?, ?, ?)",
            (_utc(at), interlock, int(passed), who),
        )


def proved(store: Store) -> dict[str, datetime]:
    """Return when each interlock was last seen to act; one whose newest trial failed is not proved."""
    rows = store.rows("SELECT interlock, at_utc, passed FROM proof ORDER BY id")
    newest = {row["interlock"]: row for row in rows}
    return {name: datetime.fromisoformat(row["at_utc"]) for name, row in newest.items() if row["passed"]}


def began(store: Store) -> datetime | None:
    """Return when this bench first committed anything."""
    rows = store.rows("SELECT min(at_utc) AS at FROM bench_file")
    return datetime.fromisoformat(rows[0]["at"]) if rows and rows[0]["at"] else None


def keep_bypass(store: Store, interlock: str, hours: float, why: str, at: datetime) -> None:
    """Keep that an interlock was bypassed, for how long and why."""
    with store.writing("a bypass") as connection:
        connection.execute(
            "INSERT INTO bypass (at_utc, interlock, hours, why) VALUES (?, ?, ?, ?)", (_utc(at), interlock, hours, why)
        )


def thin(store: Store, before: datetime) -> int:
    """Drop curve and readings of accepted determinations older than that; return of how many.

    Their results stay. What was not accepted keeps its curve: that is where one looks again.
    """
    with store.writing("the records, thinned") as connection:
        cursor = connection.execute(
            "UPDATE determination SET curve = NULL, readings = ? "
            "WHERE started_utc < ? AND curve IS NOT NULL AND alkalinity_verdict = 'accepted'",
            (blobs.pack_readings(()), _utc(before)),
        )
        return cursor.rowcount


def _utc(at: datetime) -> str:
    return at.astimezone(UTC).isoformat(timespec="milliseconds")
