"""Calibrations as dated records. Nothing is overwritten: what counts is the newest word said about each kind.

A record in force replaces options of the bench file. Taking one back is another word: an earlier record is put in
force again, or none, and then the bench file counts.
"""

import json
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

from saltern.config.loading import with_values
from saltern.config.tables import BenchConfig
from saltern.errors import ConfigError, StartupError
from saltern.model.calibration import Calibration, Kind, RefusedError, Value
from saltern.procedures.titre import with_course
from saltern.records.store import Store

ACCEPTED, REFUSED, ENDED = "accepted", "refused", "ended"

ENDS_TITRE = {Kind.SAMPLE_PUMP, Kind.TITRANT_PUMP, Kind.TITRANT}
"""A new calibration of these ends the titre factor, which held their errors."""

NO_TITRE: dict[str, Value] = {
    "titre.factor": 1.0, "titre.u_percent": None, "titre.calibrated_on": None, "titre.course": None,
    "titre.scatter_percent": None, "titre.scatter_freedom": 4.0,
}  # fmt: skip

NO_TRIS: dict[str, Value] = {"probes.ph.tris_off_ph": 0.0, "probes.ph.tris_u_ph": None}


@dataclass(frozen=True)
class Kept:
    """A calibration on record."""

    id: int
    at: datetime
    kind: Kind
    who: str
    outcome: str
    words: str
    values: dict[str, Value]
    before: dict[str, Value]
    statistics: dict[str, float]
    readings: tuple[dict[str, Value], ...]


def keep(store: Store, calibration: Calibration, who: str, at: datetime, before: Mapping[str, Value]) -> int:
    """Keep a calibration and put it in force; return its number.

    Parameters
    ----------
    store, calibration, who, at
        What, by whom, when.
    before
        What counted until now, of the same options.
    """
    return _insert(
        store,
        calibration.kind,
        who,
        at,
        ACCEPTED,
        calibration.words,
        calibration.values,
        before,
        calibration.statistics,
        calibration.readings,
        in_force=True,
    )


def keep_refused(store: Store, refused: RefusedError, who: str, at: datetime) -> int:
    """Keep what was refused, with its readings; it is never in force."""
    return _insert(store, refused.kind, who, at, REFUSED, str(refused), {}, {}, {}, refused.readings, in_force=False)


def keep_ended(
    store: Store, kind: Kind, values: Mapping[str, Value], why: str, at: datetime, before: Mapping[str, Value]
) -> int:
    """Keep that what was in force counts no more, and what counts instead."""
    return _insert(store, kind, "service", at, ENDED, why, values, before, {}, (), in_force=True)


def in_force(store: Store) -> dict[Kind, Kept]:
    """Return the calibrations in force; a kind that is not there counts as the bench file says."""
    found: dict[Kind, Kept] = {}
    decided: set[Kind] = set()
    for kind, number in store.each("calibration_force", _word, "ORDER BY id DESC"):
        if kind in decided:
            continue
        kept = [] if number is None else store.each("calibration", _kept, "WHERE id = ?", (number,))
        if kept:
            found[kind] = kept[0]
        if kept or number is None:  # one that is damaged leaves it to the word before
            decided.add(kind)
    return found


def doubted(store: Store) -> set[Kind]:
    """Return the kinds whose newest word is damaged: what counts of them is older, until somebody says another."""
    rows = store.rows("SELECT id, kind, calibration FROM calibration_force ORDER BY id DESC")
    every, decided, found = {kind.value for kind in Kind}, set[str](), set[str]()
    for row in rows:
        damaged = store.is_damaged("calibration_force", row["id"])
        named = {row["kind"]} & every
        if damaged or store.is_damaged("calibration", row["calibration"]):
            found |= (named or {other["kind"] for other in rows} & every) - decided
        decided |= named
    return {Kind(name) for name in found}


def history(store: Store, kind: Kind | None = None) -> list[Kept]:
    """Return all calibrations, newest first, refused ones included."""
    return [kept for kept in store.each("calibration", _kept, "ORDER BY id DESC") if kind is None or kept.kind is kind]


def kind_of(name: str) -> Kind:
    """Return what a name means.

    Raises
    ------
    ConfigError
        Nothing of that name can be calibrated.
    """
    try:
        return Kind(name)
    except ValueError as error:
        known = ", ".join(kind.value for kind in Kind)
        raise ConfigError(f"{name!r} is not calibrated", where="calibrations", remedy=f"One of: {known}") from error


def listed(store: Store, kind: str | None = None) -> list[dict[str, object]]:
    """Return all calibrations for JSON, newest first."""
    counting = {kept.id for kept in in_force(store).values()}
    wanted = None if kind is None else kind_of(kind)
    return [as_json(kept, counts=kept.id in counting) for kept in history(store, wanted)]


def one(store: Store, number: int) -> Kept:
    """Return one calibration.

    Raises
    ------
    ConfigError
        There is none of this number.
    """
    rows = store.each("calibration", _kept, "WHERE id = ?", (number,))
    if not rows:
        raise ConfigError(
            f"there is no calibration {number}", where="calibrations", remedy="List: saltern calibrations"
        )
    return rows[0]


def roll_back(store: Store, kind: Kind, number: int | None, who: str, at: datetime) -> None:
    """Put an earlier calibration in force again, or, with None, let the bench file count.

    Raises
    ------
    ConfigError
        It is of another kind, or was refused.
    """
    if number is not None:
        earlier = one(store, number)
        if earlier.kind is not kind or earlier.outcome == REFUSED:
            raise ConfigError(
                f"calibration {number} is of {earlier.kind.value} and was {earlier.outcome}",
                where=f"roll back {kind.value}",
                remedy="Name an accepted one of that kind: saltern calibrations",
            )
    with store.writing("a calibration") as connection:
        connection.execute(
            "INSERT INTO calibration_force (at_utc, kind, calibration, who) VALUES (?, ?, ?, ?)",
            (_utc(at), kind.value, number, who),
        )


def applied(config: BenchConfig, store: Store) -> BenchConfig:
    """Return the bench file with the calibrations in force.

    Raises
    ------
    StartupError
        One of them does not go with the bench file any more; it names them.
    """
    kept = in_force(store)
    values = {name: value for calibration in kept.values() for name, value in calibration.values.items()}
    if not values:
        return config
    numbers = ", ".join(f"{calibration.id} ({kind.value})" for kind, calibration in kept.items())
    return with_values(config, values, where=f"{config.name} with calibrations {numbers}")


@dataclass(frozen=True)
class TakenUp:
    """The bench as its calibrations make it, those that count, and by kind the numbers of those set aside."""

    config: BenchConfig
    counting: dict[Kind, Kept]
    aside: dict[str, int]
    why: str = ""  # what is wrong with those set aside


def taken_up(file: BenchConfig, store: Store) -> TakenUp:
    """Return the bench file with the calibrations in force, without those that do not go with it.

    A bench that has kept something impossible measures with what is left, and its keeper is alerted; it does not stay
    dead. Where pumps or titrant are set aside, no titre factor counts: it held their errors.
    """
    kept, lost = in_force(store), ENDS_TITRE & doubted(store)
    try:
        config = applied(file, store)
    except StartupError:
        pass
    else:
        return TakenUp(with_values(config, NO_TITRE, where=file.name) if lost else config, kept, {})
    config, counting, aside, why = file, {}, dict[str, int](), list[str]()
    for kind, one in sorted(kept.items(), key=lambda item: item[1].id):
        try:
            config = with_values(config, one.values, where=f"{file.name} with calibration {one.id}")
        except StartupError as error:
            aside[kind.value] = one.id
            why += [f"calibration {one.id} ({kind.value}): {cause.what}" for cause in error.causes]
        else:
            counting[kind] = one
    if lost or {kind.value for kind in ENDS_TITRE} & set(aside):
        config = with_values(config, NO_TITRE, where=file.name)
    return TakenUp(config, counting, aside, "; ".join(why))


def would_be(file: BenchConfig, store: Store, kind: Kind, values: Mapping[str, Value]) -> BenchConfig:
    """Return the bench as it would be with these values in force for a kind.

    Raises
    ------
    StartupError
        No bench could run with them.
    """
    counting = taken_up(file, store).counting
    others = {name: v for other, kept in counting.items() if other is not kind for name, v in kept.values.items()}
    return with_values(file, {**others, **values}, where=f"{file.name} with this {kind.value}")


def as_json(kept: Kept, *, counts: bool) -> dict[str, object]:
    """Return a calibration as commands and exports give it."""
    return {
        "id": kept.id,
        "at_utc": kept.at.isoformat(timespec="seconds"),
        "kind": kept.kind.value,
        "by": kept.who,
        "outcome": kept.outcome,
        "in_force": counts,
        "words": kept.words,
        "values": kept.values,
        "before": kept.before,
        "statistics": kept.statistics,
        "readings": list(kept.readings),
    }


def _insert(
    store: Store,
    kind: Kind,
    who: str,
    at: datetime,
    outcome: str,
    words: str,
    values: Mapping[str, Value],
    before: Mapping[str, Value],
    statistics: Mapping[str, float],
    readings: tuple[dict[str, Value], ...],
    *,
    in_force: bool,
) -> int:
    with store.writing("a calibration") as connection:
        cursor = connection.execute(
            "INSERT INTO calibration (at_utc, kind, who, outcome, words, options, before, statistics, readings) "
            "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                _utc(at),
                kind.value,
                who,
                outcome,
                words,
                json.dumps(dict(values)),
                json.dumps(dict(before), default=str),
                json.dumps(dict(statistics)),
                json.dumps(list(readings)),
            ),
        )
        number = int(cursor.lastrowid or 0)
        if in_force:
            connection.execute(
                "INSERT INTO calibration_force (at_utc, kind, calibration, who) VALUES (?, ?, ?, ?)",
                (_utc(at), kind.value, number, who),
            )
    return number


def _word(row: sqlite3.Row) -> tuple[Kind, int | None]:
    return Kind(row["kind"]), row["calibration"]


def _kept(row: sqlite3.Row) -> Kept:
    at, kind = datetime.fromisoformat(row["at_utc"]), Kind(row["kind"])
    values, statistics = dict(json.loads(row["options"])), dict(json.loads(row["statistics"]))
    return Kept(
        id=row["id"],
        at=at,
        kind=kind,
        who=row["who"],
        outcome=row["outcome"],
        words=row["words"],
        values=with_course(values, statistics, at) if kind is Kind.TITRE else values,
        before=dict(json.loads(row["before"])),
        statistics=statistics,
        readings=tuple(json.loads(row["readings"])),
    )


def _utc(at: datetime) -> str:
    return at.astimezone(UTC).isoformat(timespec="milliseconds")
