"""Damaged, lost and old records: the service starts all the same, reports what it set aside, and assumes the worst."""

import json
import os
import re
import shutil
import sqlite3
import subprocess
from contextlib import closing, suppress
from datetime import UTC, datetime
from functools import cache
from random import Random

import pytest

from saltern.cli.logs import quiet_logs
from saltern.cli.simulation import Stage, bench_of
from saltern.clock import VirtualClock
from saltern.errors import StorageError
from saltern.model.alert import Alert, Severity
from saltern.model.calibration import Calibration, Kind
from saltern.model.ledger import Interval, Ledger
from saltern.model.usage import Usage
from saltern.records import calibrations
from saltern.records.beside import LATCHES, LEDGER
from saltern.records.opening import open_for_reading, open_store
from saltern.records.upkeep import install, keep_state, keep_usage, state, usage
from saltern.running.remote import Remote
from saltern_drivers.twin.scenario import Scenario
from tests.sizes import sizes

HOUR_S = 3600.0
SET_ASIDE, LOST = "records-set-aside", "interlock-records-lost"
BOOKS = Ledger(Interval(0.0, 12.0), Interval(900.0, 950.0), Interval(1.0, 400.0), 3.5, 1.25)


def flipped(value):
    """Return a value with the bits of one byte in its middle changed."""
    if value is None:
        return b"\xff"
    if isinstance(value, int | float):
        return type(value)(value * 3 + 7)
    data = bytearray(value.encode() if isinstance(value, str) else value)
    data[len(data) // 2] ^= 0x15
    return bytes(data) if isinstance(value, bytes) else data.decode()


def write(path, table, column, change, where="1"):
    """Change a column of the newest row that has it, as damage does: nothing of ours knows."""
    with closing(sqlite3.connect(path)) as connection, connection:
        number, value = connection.execute(
            f"SELECT rowid, {column} FROM {table} WHERE {where} ORDER BY rowid DESC LIMIT 1"
        ).fetchone()
        after = change(value)
        if isinstance(after, bytes) and isinstance(value, str):
            connection.execute(f"UPDATE {table} SET {column} = CAST(? AS TEXT) WHERE rowid = ?", (after, number))
        else:
            connection.execute(f"UPDATE {table} SET {column} = ? WHERE rowid = ?", (after, number))


def null_where_none_may_be(path, table, column):
    """Put a NULL into a NOT NULL column, as a damaged record header does."""
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA writable_schema = ON")
        (text,) = connection.execute("SELECT sql FROM sqlite_master WHERE name = ?", (table,)).fetchone()
        loose = re.sub(rf"(\b{column} \w+) NOT NULL", r"\1", text, count=1)
        assert loose != text
        connection.execute("UPDATE sqlite_master SET sql = ? WHERE name = ?", (loose, table))
        connection.commit()
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA writable_schema = ON")
        connection.execute(f"UPDATE {table} SET {column} = NULL WHERE rowid = (SELECT max(rowid) FROM {table})")
        connection.execute("UPDATE sqlite_master SET sql = ? WHERE name = ?", (text, table))
        connection.commit()


class Living:
    """A bench that has measured once, whose records are damaged while it is down."""

    def __init__(self, folder):
        quiet_logs()
        self.path = folder / "saltern.sqlite"
        scenario = Scenario.model_validate({"seed": 7, "days": 2.0, "schedule": {"every_h": 2.0}})
        self.stage = Stage(scenario, bench_of(scenario, folder), str(self.path))
        self.stage.play_until(0.2 + 0.9 * HOUR_S)
        store = self.service.store
        assert store.determination(2).alkalinity.verdict.value == "accepted"  # as the first one, which it confirms
        made = Calibration(Kind.WASTE_PUMP, {}, "a pump", {"u": 1.0}, ({"ml": 1.0},))
        calibrations.keep(store, made, "keeper", self.service.clock.now(), {})
        install(store, "ph_probe", self.service.clock.now())
        for kind in (["hold", "0"], ["proved", "overfill", "passed", "keeper"]):
            self.service.operator(kind)
        store.set_condition("lights", holds=True)
        keep_state(store, "reference used, mL", 3.0, self.service.clock.now())

    @property
    def service(self):
        return self.stage.computer.service

    def die(self):
        computer = self.stage.computer
        computer.lose(powered=True)
        while computer._left_open:
            computer._left_open.pop().close()

    def live_again(self):
        self.stage.computer.start_again()
        assert self.service is not None, "it did not start"
        self.service.round()
        return {alert.code: alert.text for alert in self.service.raised}

    def play(self, hours):
        self.stage.play_until(self.stage.clock.monotonic() + hours * HOUR_S)

    def status(self):
        reader = open_for_reading(self.path, self.stage.clock)
        try:
            remote = Remote(self.service, reader, list, lambda: None)
            return remote.status(), reader.results(50)
        finally:
            reader.close()


@pytest.fixture
def living(tmp_path):
    made = Living(tmp_path)
    yield made
    made.stage.close()


def test_books_that_are_damaged_while_the_service_lives_are_reported_within_a_minute(living):
    """Not after the next power cut; the bench goes on, for it knows its ledger, and the file beside has it."""
    before = living.service.bench.ledger.vessel_ml
    write(living.path, "ledger", "vessel_high_ml", flipped)
    living.play(80.0 / 3600.0)

    told = {alert.code: alert.text for alert in living.service.raised}
    assert "ledger" in told[SET_ASIDE]
    assert living.service.bench.ledger.vessel_ml == before
    living.die()
    assert LOST not in living.live_again()
    assert living.service.bench.ledger.vessel_ml.high == pytest.approx(before.high, abs=1.0)


ROWS = [
    ("determination", "curve", flipped),
    ("determination", "readings", flipped),
    ("determination", "conditions", flipped),
    ("determination", "priors", flipped),
    ("determination", "end_point", flipped),
    ("determination", "remarks", lambda _: "[1"),
    ("determination", "started_utc", flipped),
    ("determination", "alkalinity_verdict", lambda _: "acceptex"),
    ("determination", "alkalinity_umol_kg", flipped),
    ("determination", "source", lambda _: "tanj"),
    ("determination", "curve", lambda blob: blob[: len(blob) // 2]),
    ("determination", "readings", lambda blob: blob[:-9]),
    ("determination", "alkalinity_reasons", lambda _: b"[\xff]"),
    ("alert", "severity", lambda _: 77),
    ("alert", "at_utc", flipped),
    ("calibration", "kind", flipped),
    ("calibration", "options", lambda _: "{"),
    ("calibration", "at_utc", flipped),
    ("calibration_force", "kind", flipped),
    ("part", "usage", lambda _: "{]"),
    ("part", "installed_utc", flipped),
    ("usage", "volume_ml", flipped),
    ("usage", "pump", lambda _: b"was\xfee"),
    ("condition", "holds", flipped),
    ("proof", "at_utc", flipped),
    ("bench_file", "at_utc", lambda _: "yesterday"),
    ("log_entry", "detail", lambda _: "{"),
    ("log_entry", "at_utc", lambda _: "9" * 30),
]


@pytest.fixture(scope="module")
def lived(tmp_path_factory):
    """The records of a bench that has measured, with a row in each table."""
    folder = tmp_path_factory.mktemp("lived")
    made = Living(folder)
    store = made.service.store
    from saltern.model.logbook import Dose
    from saltern.records.upkeep import keep_bench_file

    store.log(Dose(chemical="soda", amount=3.0), datetime(2026, 1, 1, tzinfo=UTC))
    keep_bench_file(store, "name = 1", made.service.clock.now())
    made.service.alerting.alert("something", "something")
    made.die()
    return folder


@pytest.fixture
def records(lived, tmp_path):
    for file in lived.iterdir():
        shutil.copyfile(file, tmp_path / file.name)
    return tmp_path / "saltern.sqlite"


def looked_at(store):
    """Read all that a start, a status or a history reads."""
    from saltern.model.determination import Source
    from saltern.records import upkeep

    now = datetime(2026, 6, 1, tzinfo=UTC)
    return [
        store.results(100),
        store.reportable(Source.TANK, 100),
        store.last_started(Source.TANK),
        store.last_met(Source.TANK),
        store.draft(),
        store.logged(datetime(1, 1, 1, tzinfo=UTC)),
        store.last_dose(),
        store.conditions(),
        store.alerts_after(0, 1000),
        store.results_after(0, 1000),
        store.acknowledged("one", "alert"),
        calibrations.in_force(store),
        calibrations.history(store),
        upkeep.installed(store),
        upkeep.usage(store),
        upkeep.away_now(store, now),
        upkeep.newest_bench_file(store),
        upkeep.proved(store),
        upkeep.began(store),
        upkeep.state(store, "parked"),
    ]


@pytest.mark.parametrize(("table", "column", "change"), ROWS)
def test_a_damaged_row_is_set_aside_and_reported_once_and_the_rest_is_read(records, table, column, change):
    write(records, table, column, change)
    with closing(sqlite3.connect(records)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)

    store = open_store(records, VirtualClock())
    reader = open_for_reading(records, VirtualClock())
    looked_at(store)
    looked_at(reader)
    (news,) = store.keep_set_aside()
    assert news.startswith(table.replace("_", " "))
    assert store.load_latches() == []
    assert store.load_ledger() is not None
    assert [row["table_name"] for row in store.rows("SELECT * FROM v_set_aside")] == [table]
    assert store.keep_set_aside() == []
    reader.close()
    store.close()
    again = open_store(records, VirtualClock())
    looked_at(again)
    assert again.keep_set_aside() == []
    again.close()


@pytest.mark.parametrize("table", ["determination", "alert", "part", "calibration", "ledger", "latch"])
def test_a_null_where_none_may_be_costs_one_row(records, table):
    column = {
        "determination": "readings", "alert": "text", "part": "name", "calibration": "kind", "ledger": "vessel_high_ml",
        "latch": "interlock",
    }[table]  # fmt: skip
    if table == "latch":
        store = open_store(records, VirtualClock())
        store.set_latch("leak")
        store.close()
    null_where_none_may_be(records, table, column)

    store = open_store(records, VirtualClock())
    assert store.found == ""
    looked_at(store)
    assert len(store.keep_set_aside()) == 1
    assert store.load_latches() == (["leak"] if table == "latch" else [])
    assert store.load_ledger() is not None
    store.close()


def test_an_index_that_does_not_fit_its_table_is_made_anew(records):
    with closing(sqlite3.connect(records)) as connection:
        connection.execute("PRAGMA writable_schema = ON")
        index = connection.execute("SELECT * FROM sqlite_master WHERE name = 'log_by_time'").fetchone()
        connection.execute("DELETE FROM sqlite_master WHERE name = 'log_by_time'")
        connection.commit()
    with closing(sqlite3.connect(records)) as connection:
        connection.execute("PRAGMA writable_schema = ON")
        connection.execute("UPDATE log_entry SET kind = 'dosf'")
        connection.execute("INSERT INTO sqlite_master VALUES (?, ?, ?, ?, ?)", index)
        connection.commit()
    with closing(sqlite3.connect(records)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() != ("ok",)

    store = open_store(records, VirtualClock())
    assert store.found == ""
    looked_at(store)
    assert store.rows("PRAGMA integrity_check")[0][0] == "ok"
    assert len(store.keep_set_aside()) == 1
    store.close()


def test_a_damaged_row_is_kept_as_it_was_found(records):
    write(records, "state", "value", lambda _: "[3")
    store = open_store(records, VirtualClock())
    store.keep_set_aside()
    (row,) = store.rows("SELECT * FROM v_set_aside")
    assert "'[3'" in row["content"]
    store.close()


def test_what_is_worth_no_trust_does_not_become_trusted_by_the_next_write(records):
    write(records, "usage", "volume_ml", lambda _: 1e9, where="pump = 'sample'")
    store = open_store(records, VirtualClock())
    store.keep_set_aside()
    keep_usage(store, {"sample": Usage(1.0, 2.0, 3)})
    assert usage(store)["sample"] == Usage(1.0, 2.0, 3)
    store.close()


@pytest.mark.parametrize(
    ("table", "column", "change"), [row for row in ROWS if row[0] in ("determination", "calibration", "proof")][::4]
)
def test_a_service_with_a_damaged_row_starts_reports_and_measures_again(living, table, column, change):
    living.die()
    write(living.path, table, column, change)

    told = living.live_again()
    assert SET_ASIDE in told
    assert LOST not in told
    status, _ = living.status()
    assert json.dumps(status)
    living.play(4.0)
    newest = living.service.store.results(1)[0][1]
    assert newest.alkalinity.verdict.value in ("accepted", "provisional")
    assert [alert.code for alert in living.service.raised].count(SET_ASIDE) == 1


def worst(living):
    """Whether all that the bench cannot know is The worst is assumed."""
    config, ledger = living.service.config, living.service.bench.ledger
    assert ledger.vessel_ml == Interval(0.0, config.vessel.capacity_ml)
    assert ledger.titrant_left_ml == Interval(0.0, config.titrant.bottle_ml)
    assert ledger.waste_ml == Interval(0.0, config.waste.container_ml)
    assert "records-lost" in {row.name for row in living.service.bench.guard.acting}
    return True


def zeroed_header(path):
    with path.open("r+b") as file:
        file.write(b"\0" * 100)


def deleted(path):
    for end in ("", "-wal", "-shm"):
        path.with_name(path.name + end).unlink(missing_ok=True)


def truncated(path):
    path.write_bytes(b"")


def damaged_pages(path):
    data = bytearray(path.read_bytes())
    data[4096:40960] = b"\x55" * (40960 - 4096)
    path.write_bytes(data)


def a_table_with_another_name(path):
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("PRAGMA writable_schema = ON")
        connection.execute("UPDATE sqlite_master SET name = 'ledges', tbl_name = 'ledges' WHERE name = 'ledger'")


def an_earlier_version(path):
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("PRAGMA user_version = 3")


@pytest.mark.parametrize(
    "damage", [zeroed_header, deleted, truncated, damaged_pages, a_table_with_another_name, an_earlier_version]
)
def test_lost_records_mean_the_worst_until_an_operator_has_looked(living, damage):
    service = living.service
    service.operator(["hold", "48"])
    service.bench.guard.edge("leak")
    service.round()
    living.die()
    damage(living.path)
    told = living.live_again()

    assert LOST in told
    assert worst(living)
    assert "The worst is assumed" in told["records-lost"]
    assert "leak" in {row.name for row in living.service.bench.guard.acting}
    assert living.service.held_until() is not None
    before = living.service.store.next_id()
    living.play(5.0)
    assert living.service.store.next_id() == before


def test_the_worst_outlives_a_restart_and_ends_by_the_commands_that_there_are(living):
    living.die()
    zeroed_header(living.path)
    living.live_again()
    living.die()
    living.live_again()
    assert worst(living)

    for words in (["reset"], ["part", "emptied", "waste"], ["part", "replaced", "titrant"], ["empty"]):
        living.service.operator(words)
    living.play(6.0)  # of the day's titrant so little is left that two runs are two starts
    assert living.service.store.results(1)[0][1].alkalinity.verdict.value == "accepted"
    living.die()
    assert LOST not in living.live_again()


def test_an_old_backup_is_seen_and_means_the_worst(living, tmp_path):
    from saltern.records.backup import back_up

    back_up(living.path, tmp_path / "copy.sqlite")
    living.play(3.0)
    living.die()
    deleted(living.path)
    shutil.copyfile(tmp_path / "copy.sqlite", living.path)
    told = living.live_again()

    assert LOST in told
    assert "older" in living.service.bench.found
    assert worst(living)
    assert living.service.store.next_id() == 3


def test_lost_small_files_mean_the_worst(living):
    living.die()
    for name in (LEDGER, LATCHES):
        living.path.with_name(living.path.name + name).unlink()

    assert LOST in living.live_again()
    assert worst(living)


@pytest.mark.parametrize("name", [LEDGER, LATCHES])
def test_a_small_file_that_is_damaged_alone_costs_nothing_but_a_report(living, name):
    living.die()
    file = living.path.with_name(living.path.name + name)
    file.write_text(file.read_text().replace("0", "1"))
    before = open_for_reading(living.path, living.stage.clock)
    kept = before.load_ledger()
    before.close()
    told = living.live_again()

    assert LOST not in told
    assert SET_ASIDE in told
    assert living.service.bench.ledger.waste_ml == kept.waste_ml
    assert list(file.parent.glob(f"{file.name}.damaged-*"))


@pytest.mark.parametrize("column", ["vessel_high_ml", "stage", "waste_low_ml"])
def test_of_a_damaged_ledger_row_the_file_keeps_the_truth(living, column):
    kept = living.service.store.load_ledger()
    living.die()
    write(living.path, "ledger", column, lambda value: "x" if column == "stage" else flipped(value))
    told = living.live_again()

    assert SET_ASIDE in told
    assert LOST not in told
    assert living.service.bench.ledger.waste_ml == kept.waste_ml


def test_a_damaged_ledger_row_without_its_file_means_the_worst(living):
    living.die()
    write(living.path, "ledger", "waste_high_ml", flipped)
    living.path.with_name(living.path.name + LEDGER).write_text("{}")

    assert LOST in living.live_again()
    assert worst(living)


@pytest.mark.parametrize("column", ["interlock", "set_utc"])
def test_of_a_damaged_latch_the_file_keeps_the_trip(living, column):
    living.service.bench.guard.edge("leak")
    living.service.round()
    living.die()
    write(living.path, "latch", column, flipped)
    told = living.live_again()

    assert "leak" in {row.name for row in living.service.bench.guard.acting}
    assert LOST not in told
    living.service.operator(["reset"])
    living.die()
    living.live_again()
    assert "leak" not in {row.name for row in living.service.bench.guard.acting}


def test_a_damaged_hold_still_holds(living):
    living.service.operator(["hold", "48"])
    living.die()
    write(living.path, "state", "value", flipped, where="name = 'held_until'")

    told = living.live_again()
    assert SET_ASIDE in told
    assert living.service.held_until() is not None


def test_a_hold_that_is_damaged_in_both_places_means_the_worst(living):
    living.service.operator(["hold", "48"])
    living.die()
    write(living.path, "state", "value", flipped, where="name = 'held_until'")
    living.path.with_name(living.path.name + LATCHES).write_text("{}")

    assert LOST in living.live_again()


def test_nothing_is_deleted_when_records_are_moved_aside(tmp_path):
    path = tmp_path / "s.sqlite"
    store = open_store(path, VirtualClock())
    store.commit_ledger(BOOKS, "test")
    for end in ("", "-wal", "-shm"):
        shutil.copyfile(tmp_path / f"s.sqlite{end}", tmp_path / f"found{end}")
    store.close()
    for end in ("", "-wal", "-shm"):
        shutil.copyfile(tmp_path / f"found{end}", tmp_path / f"s.sqlite{end}")
    wal = (tmp_path / "s.sqlite-wal").read_bytes()
    assert wal
    truncated(path)

    open_store(path, VirtualClock()).close()
    (aside,) = tmp_path.glob("s.sqlite.damaged-*[0-9]")
    assert aside.with_name(aside.name + "-wal").read_bytes() == wal
    path.write_bytes(b"\0" * 8192)
    open_store(path, VirtualClock()).close()
    assert len(list(tmp_path.glob("s.sqlite.damaged-*[0-9]"))) == 2


def test_records_from_before_the_small_files_are_taken_up_as_they_are(tmp_path):
    from saltern.records.schema import MIGRATIONS

    path = tmp_path / "s.sqlite"
    with closing(sqlite3.connect(path)) as old:
        for number, step in enumerate(MIGRATIONS[:7]):
            old.executescript(f"BEGIN; {step} PRAGMA user_version = {number + 1}; COMMIT;")
        old.execute("INSERT INTO ledger VALUES (41, '2026-01-01T00:00:00+00:00', 'x', NULL, 0, 12, 9, 10, 3, 4, 0, 0)")
        old.execute("INSERT INTO latch (interlock, set_utc) VALUES ('leak', '2026-01-01T00:00:00+00:00')")
        old.commit()

    for _ in range(2):
        store = open_store(path, VirtualClock())
        assert store.load_ledger().waste_ml == Interval(3.0, 4.0)
        assert store.load_latches() == ["leak"]
        store.close()


def test_a_restored_backup_means_the_worst(tmp_path):
    from saltern.config.loading import shipped_config
    from saltern.records.backup import back_up, restore
    from saltern.records.upkeep import keep_bench_file

    store = open_store(tmp_path / "s.sqlite", VirtualClock())
    keep_bench_file(store, shipped_config("bench-simulated.toml").read_text(), datetime(2026, 1, 1, tzinfo=UTC))
    store.commit_ledger(BOOKS, "test")
    back_up(tmp_path / "s.sqlite", tmp_path / "copy.sqlite")
    store.close()
    (tmp_path / "new").mkdir()
    path = restore(tmp_path / "copy.sqlite", tmp_path / "new/bench.toml")

    again = open_store(path, VirtualClock())
    with pytest.raises(StorageError, match="older"):
        again.load_ledger()
    again.close()


def test_a_first_start_is_no_loss(tmp_path):
    store = open_store(tmp_path / "s.sqlite", VirtualClock())
    assert store.load_ledger() is None
    assert store.load_latches() == []
    assert store.found == ""
    store.close()


@pytest.mark.parametrize("side", ["before", "after"])
def test_a_death_between_row_and_file_loses_nothing(tmp_path, side, monkeypatch):
    from saltern.records import beside

    path = tmp_path / "s.sqlite"
    store = open_store(path, VirtualClock())
    store.commit_ledger(BOOKS, "one")
    after = Ledger(Interval(0.0, 90.0), Interval(900.0, 950.0), Interval(1.0, 400.0), 3.5, 1.25, "fill")

    real = beside.write

    def dies(*words):
        if side == "after":
            real(*words)
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(beside, "write", dies)
        with suppress(KeyboardInterrupt):
            store.commit_ledger(after, "two")
    store.close()
    again = open_store(path, VirtualClock())
    assert again.load_ledger() == after
    again.commit_ledger(BOOKS, "three")
    again.close()


def test_a_file_that_takes_nothing_is_a_failed_commit(tmp_path, monkeypatch):
    store = open_store(tmp_path / "s.sqlite", VirtualClock())

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("saltern.records.beside.os.replace", full)
    with pytest.raises(StorageError, match=r"No space left.*Make room"):
        store.commit_ledger(BOOKS, "test")
    store.close()


def test_the_state_is_read_where_no_damage_is(records):
    store = open_store(records, VirtualClock())
    assert state(store, "reference used, mL") == 3.0
    assert store.keep_set_aside() == []
    store.close()


# A full disk ----------------------------------------------------------------------------


@pytest.fixture
def small_disk(tmp_path):
    """A disk of 6 MB of its own."""
    place = tmp_path / "disk"
    place.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=6m", "tmpfs", str(place)], capture_output=True, text=True, check=False
    )
    if mounted.returncode != 0:
        pytest.skip(f"a disk of its own needs root: {mounted.stderr.strip()}")
    yield place
    subprocess.run(["umount", str(place)], check=True)


def fill(place):
    filler = os.open(place / "filler", os.O_CREAT | os.O_WRONLY | os.O_APPEND)
    with suppress(OSError):
        while True:
            os.write(filler, b"x" * 4096)
    os.close(filler)


def test_a_service_starts_on_a_full_disk_tells_and_measures_when_there_is_room(small_disk):
    living = Living(small_disk)
    try:
        living.service.end()
        living.stage.computer._waker.stop()
        living.service.bench.make_safe()
        living.die()  # after a stop in order SQLite's own files are gone, and opening needs room for them
        assert not living.path.with_name("saltern.sqlite-wal").exists()
        fill(small_disk)
        told = living.live_again()
        assert "disk-full" in told
        assert LOST not in told
        heard = [alert.code for _, alert in living.service.store.alerts_after(0, 1000)]
        assert "disk-full" in heard
        status, _ = living.status()
        assert json.dumps(status)

        fill(small_disk)  # whatever fills it takes what was given back, too
        living.service.alerting.alert("one-more", "one more")
        assert "one-more" in [alert.code for _, alert in living.service.store.alerts_after(0, 1000)]
        (small_disk / "filler").unlink()
        living.play(4.0)
        assert living.service.store.results(1)[0][1].alkalinity.verdict.value == "accepted"
        assert living.service.store.next_id() > 2
        assert "disk-full" not in {alert.code for alert in living.service.alerting.standing}
    finally:
        living.stage.close()


def test_alerts_that_the_disk_does_not_take_are_sent_all_the_same_and_once(tmp_path):
    clock = VirtualClock()
    store = open_store(tmp_path / "s.sqlite", clock)

    def tell(code):
        store.keep_alert(Alert(clock.now(), clock.monotonic(), Severity.ERROR, code, code))

    tell("first")
    store.acknowledge("notify", "alert", 1)
    store.rows("PRAGMA query_only = ON")
    for code in ("second", "third"):
        with pytest.raises(StorageError):
            tell(code)
    number = store.acknowledged("notify", "alert")
    heard = store.alerts_after(number, 10)
    assert [alert.code for _, alert in heard] == ["second", "third"]
    store.acknowledge("notify", "alert", heard[0][0])
    assert [alert.code for _, alert in store.alerts_after(store.acknowledged("notify", "alert"), 10)] == ["third"]

    store.rows("PRAGMA query_only = OFF")
    tell("fourth")
    left = store.alerts_after(store.acknowledged("notify", "alert"), 10)
    assert [alert.code for _, alert in left] == ["third", "fourth"]
    assert [place for place, _ in store.alerts_after(0, 10)] == [1, 2, 3, 4]
    store.close()


@pytest.mark.parametrize(("table", "column"), [("calibration", "options"), ("calibration_force", "who")])
def test_results_under_an_older_calibration_than_the_last_are_provisional_until_it_is_said_what_counts(
    living, table, column
):
    store, now = living.service.store, living.service.clock.now()
    for factor in (1.0, 1.02):
        made = Calibration(Kind.TITRE, {"titre.factor": factor}, f"factor {factor}")
        calibrations.keep(store, made, "keeper", now, {})
    living.die()
    write(living.path, table, column, flipped)
    living.live_again()

    service = living.service
    assert service.config.titre.factor == 1.0
    assert "calibration-damaged" in {alert.code for alert in service.alerting.standing}
    living.play(3.0)
    newest = service.store.results(1)[0][1].alkalinity
    assert (newest.verdict.value, [reason.value for reason in newest.reasons]) == (
        "provisional",
        ["calibration-damaged"],
    )
    number = next(kept.id for kept in calibrations.history(service.store, Kind.TITRE))
    calibrations.roll_back(service.store, Kind.TITRE, number, "keeper", service.clock.now())
    living.play(3.0)
    assert "calibration-damaged" not in {alert.code for alert in service.alerting.standing}
    assert service.store.results(1)[0][1].alkalinity.verdict.value == "accepted"


@pytest.mark.parametrize("count", sizes(60, in_soak=5000))
@pytest.mark.parametrize("file", ["saltern.sqlite", "saltern.sqlite.ledger.json", "saltern.sqlite.latches.json"])
def test_whatever_byte_is_damaged_the_records_open_and_take_what_comes(lived, tmp_path, file, count):
    """One bit of one byte that says something; drawn by seed, and no table of ours says where it lies."""
    draw = Random(f"{file} {count}")
    sound = (lived / file).read_bytes()
    saying = [place for place, byte in enumerate(sound) if byte]
    work = tmp_path / "work"
    for _ in range(count if file.endswith(".sqlite") else count // 4):
        shutil.rmtree(work, ignore_errors=True)
        shutil.copytree(lived, work, ignore=shutil.ignore_patterns("*.reserve"))
        place, bit = draw.choice(saying), 1 << draw.randrange(8)
        damaged = bytearray(sound)
        damaged[place] ^= bit
        (work / file).write_bytes(damaged)

        store = open_store(work / "saltern.sqlite", VirtualClock())
        looked_at(store)
        reader = open_for_reading(work / "saltern.sqlite", VirtualClock())
        looked_at(reader)
        reader.close()
        ledger = None
        with suppress(StorageError):
            ledger = store.load_ledger()
        news = store.keep_set_aside()
        keep_state(store, "held_until", None, datetime(2026, 1, 2, tzinfo=UTC))
        keep_usage(store, {"sample": Usage(1.0, 2.0, 3)})
        store.set_latch("leak")
        store.set_condition("lights", holds=False)
        store.acknowledge("notify", "alert", 3)
        store.commit_ledger(BOOKS, "test")
        assert store.trouble == "", (place, bit)
        assert store.load_ledger() == BOOKS
        assert ledger == ledger_of(lived) or (ledger is None and store.found), (place, bit, ledger, news)
        store.close()


@cache
def ledger_of(lived):
    """Return the ledger that the bench had."""
    reader = open_for_reading(lived / "saltern.sqlite", VirtualClock())
    try:
        return reader.load_ledger()
    finally:
        reader.close()
