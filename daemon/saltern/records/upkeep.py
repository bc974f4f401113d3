"""Records around the bench: which parts were put in when, the keeper's absence, bench files, and old curves."""

import json
import sqlite3
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime

from saltern.model.away import Away
from saltern.model.usage import Usage
from saltern.records import blobs
from saltern.records.store import Store


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
    return {part.name: part for part in store.each("part", _installed, "ORDER BY installed_utc, id")}


def usage(store: Store) -> dict[str, Usage]:
    """Return what each pump has turned since the records began."""
    return dict(store.each("usage", _used))


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
    store.keep_holds()


def state(store: Store, name: str) -> object:
    """Return a state, or None."""
    return store.load_state(name)


def go_away(store: Store, away: Away | None) -> None:
    """Keep that the keeper is away, or back."""
    with store.writing("an absence") as connection:
        connection.execute("DELETE FROM away")
        if away is not None:
            connection.execute("INSERT INTO away (until_utc, gap_h) VALUES (?, ?)", (_utc(away.until), away.gap_h))


def away_now(store: Store, now: datetime) -> Away | None:
    """Return the absence that holds now."""
    rows = store.each("away", _away, "WHERE until_utc > ?", (_utc(now),))
    return rows[0] if rows else None


def keep_bench_file(store: Store, text: str, at: datetime) -> None:
    """Keep a bench file, with the calibrations in it, if it is not what was kept last."""
    if newest_bench_file(store) != text:
        with store.writing("the bench file") as connection:
            connection.execute("INSERT INTO bench_file (at_utc, text) VALUES (?, ?)", (_utc(at), text))


def newest_bench_file(store: Store) -> str | None:
    rows = store.each("bench_file", lambda row: str(row["text"]), "ORDER BY id DESC", limit=1)
    return rows[0] if rows else None


def keep_proof(store: Store, interlock: str, *, passed: bool, who: str, at: datetime) -> None:
    """Keep that an interlock was provoked by hand, and whether it acted."""
    with store.writing("a proof test") as connection:
        connection.execute(
            "INSERT INTO proof (at_utc, interlock, passed, who) VALUES (?, ?, ?, ?)",
            (_utc(at), interlock, int(passed), who),
        )


def proved(store: Store) -> dict[str, datetime]:
    """Return when each interlock was last seen to act; one whose newest trial failed is not proved."""
    newest = {name: (at, passed) for name, at, passed in store.each("proof", _proof, "ORDER BY id")}
    return {name: at for name, (at, passed) in newest.items() if passed}


def began(store: Store) -> datetime | None:
    """Return when this bench first committed anything."""
    rows = store.each("bench_file", lambda row: datetime.fromisoformat(row["at_utc"]), "ORDER BY at_utc", limit=1)
    return rows[0] if rows else None


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


def _installed(row: sqlite3.Row) -> Installed:
    turned = {pump: Usage(**used) for pump, used in json.loads(row["usage"]).items()}
    return Installed(str(row["name"]), datetime.fromisoformat(row["installed_utc"]), turned, row["note"])


def _used(row: sqlite3.Row) -> tuple[str, Usage]:
    return str(row["pump"]), Usage(float(row["running_s"]), float(row["volume_ml"]), int(row["motions"]))


def _away(row: sqlite3.Row) -> Away:
    return Away(datetime.fromisoformat(row["until_utc"]), float(row["gap_h"]))


def _proof(row: sqlite3.Row) -> tuple[str, datetime, bool]:
    return str(row["interlock"]), datetime.fromisoformat(row["at_utc"]), bool(row["passed"])


def _utc(at: datetime) -> str:
    return at.astimezone(UTC).isoformat(timespec="milliseconds")
