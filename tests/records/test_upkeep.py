"""Records over years: their size, the time of a query, documented views, parts, absences, old curves, whole benches."""

import re
import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from saltern.clock import VirtualClock
from saltern.config.loading import load_bench
from saltern.errors import ConfigError, StorageError
from saltern.model.away import Away
from saltern.model.determination import Source
from saltern.model.ledger import Interval, Ledger
from saltern.model.verdict import Verdict
from saltern.records.backup import back_up, restore
from saltern.records.opening import open_for_reading, open_store
from saltern.records.upkeep import away_now, go_away, install, installed, keep_bench_file, newest_bench_file, thin
from tests.toml import to_toml
from tests.twin_bench import TwinBench, bench_table

BEGIN = datetime(2026, 1, 1, tzinfo=UTC)
LEDGER = Ledger(Interval(0.0, 12.0), Interval(710.0, 725.0), Interval(1800.0, 1930.0), 30.0)


@pytest.fixture(scope="module")
def determination():
    return TwinBench().determine()


@pytest.fixture
def store(tmp_path):
    made = open_store(tmp_path / "saltern.sqlite", VirtualClock())
    yield made
    made.close()


def fill(path, store, determination, count, every_h=4.0):
    """Keep one determination, and copies of its row at other times: as large, and much sooner written."""
    number = store.keep(replace(determination, started_at=BEGIN))
    with closing(sqlite3.connect(path)) as connection:
        names = [row[1] for row in connection.execute("PRAGMA table_info(determination)")]
        names = [name for name in names if name not in ("id", "checksum")]
        row = connection.execute(f"SELECT {', '.join(names)} FROM determination WHERE id = ?", (number,)).fetchone()
        rows = []
        for k in range(1, count):
            at = (BEGIN + k * timedelta(hours=every_h)).isoformat(timespec="milliseconds")
            rows.append([at if name == "started_utc" else value for name, value in zip(names, row, strict=True)])
        marks = ", ".join("?" * len(names))
        connection.executemany(f"INSERT INTO determination ({', '.join(names)}) VALUES ({marks})", rows)
        connection.commit()


YEAR = "started_utc >= '2028-01-01' AND started_utc < '2029-01-01'"


def steps_of(reader, query):
    """Return what a query gives, and how many hundred steps SQLite's machine took: the same on a busy computer."""
    steps = []
    reader.set_progress_handler(lambda: steps.append(1), 100)
    rows = reader.execute(query).fetchall()
    reader.set_progress_handler(None, 100)
    return rows, len(steps)


def test_five_years_at_six_a_day_stay_under_a_gigabyte_and_a_year_is_found_without_reading_the_others(
    tmp_path, store, determination
):
    path = tmp_path / "saltern.sqlite"
    fill(path, store, determination, 5 * 365 * 6)
    size = path.stat().st_size + path.with_name("saltern.sqlite-wal").stat().st_size

    assert size < 1e9
    asked = (
        "SELECT started_utc, alkalinity_umol_kg, alkalinity_u_umol_kg, ph_total, salinity FROM v_results "
        "WHERE source = 'tank' AND "
    )
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as reader:
        year, of_the_year = steps_of(reader, f"{asked}{YEAR}")
        every, of_all = steps_of(reader, f"{asked}started_utc >= '2026-01-01'")
    assert len(year) == 366 * 6
    assert len(every) == 5 * 365 * 6
    assert of_the_year / of_all < 1.1 * len(year) / len(every)


def test_the_views_that_are_documented_are_those_that_exist(tmp_path, store):
    page = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text()
    documented = {
        name: set(re.findall(r"`(\w+)`", columns))
        for name, columns in re.findall(r"^\| `(v_\w+)` \| (.+?) \|$", page, re.MULTILINE)
    }
    with closing(sqlite3.connect(tmp_path / "saltern.sqlite")) as connection:
        views = [name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'view'")]
        there = {view: {row[1] for row in connection.execute(f"PRAGMA table_info({view})")} for view in views}

    assert documented == there


def test_a_reader_cannot_write(tmp_path, store):
    reader = open_for_reading(tmp_path / "saltern.sqlite", VirtualClock())
    with pytest.raises(StorageError, match="readonly"):
        install(reader, "ph_probe", BEGIN)
    reader.close()


def test_the_newest_of_each_part_counts_and_the_older_stay_on_record(tmp_path, store):
    install(store, "sample_tube", BEGIN)
    install(store, "sample_tube", BEGIN + timedelta(days=200))
    install(store, "ph_probe", BEGIN)

    assert installed(store)["sample_tube"].at == BEGIN + timedelta(days=200)
    assert len(store.rows("SELECT * FROM v_parts")) == 3


def test_an_absence_ends_by_itself_or_when_the_keeper_is_back(store):
    go_away(store, Away(BEGIN + timedelta(days=7), 8.0))
    assert away_now(store, BEGIN).gap_h == 8.0
    assert away_now(store, BEGIN + timedelta(days=7, seconds=1)) is None
    go_away(store, None)
    assert away_now(store, BEGIN) is None


def test_old_accepted_curves_go_when_the_keeper_wants_it_and_doubtful_ones_stay(store, determination):
    old = store.keep(replace(determination, started_at=BEGIN))
    doubted = replace(determination.alkalinity, verdict=Verdict.SUSPECT)
    suspect = store.keep(replace(determination, started_at=BEGIN, alkalinity=doubted))
    young = store.keep(replace(determination, started_at=BEGIN + timedelta(days=100)))

    assert thin(store, BEGIN + timedelta(days=50)) == 1
    assert thin(store, BEGIN + timedelta(days=50)) == 0
    assert store.determination(old).curve is None
    assert store.determination(old).readings == ()
    assert store.determination(old).alkalinity == determination.alkalinity
    assert store.determination(suspect).curve is not None
    assert store.determination(young).curve is not None


def test_a_backup_restored_on_a_clean_machine_is_the_whole_bench(tmp_path, store, determination):
    text = to_toml(bench_table({"probes.ph.slope_percent": 98.4, "titre": {"factor": 0.987, "u_percent": 0.1}}))
    keep_bench_file(store, text.replace("kelp-room", "older"), BEGIN)
    keep_bench_file(store, text, BEGIN)
    keep_bench_file(store, text, BEGIN)
    number = store.keep(determination)
    store.commit_ledger(LEDGER, "a drain")
    back_up(tmp_path / "saltern.sqlite", tmp_path / "b.sqlite")
    elsewhere = tmp_path / "other machine"
    elsewhere.mkdir()
    records = restore(tmp_path / "b.sqlite", elsewhere / "bench.toml")

    assert load_bench(elsewhere / "bench.toml").probes.ph.slope_percent == 98.4
    assert load_bench(elsewhere / "bench.toml").titre.factor == 0.987
    again = open_store(records, VirtualClock())
    assert again.determination(number).alkalinity == determination.alkalinity
    with pytest.raises(StorageError, match="older"):  # nobody knows what was pumped since
        again.load_ledger()
    assert newest_bench_file(again) == text
    assert len(again.rows("SELECT * FROM bench_file")) == 2
    again.close()
    with pytest.raises(ConfigError, match="there already"):
        restore(tmp_path / "b.sqlite", elsewhere / "bench.toml")


def test_what_is_no_backup_is_refused(tmp_path, store):
    (tmp_path / "junk").write_bytes(b"not a database at all" * 100)
    back_up(tmp_path / "saltern.sqlite", tmp_path / "empty.sqlite")
    with pytest.raises(StorageError, match="no backup here"):
        restore(tmp_path / "none", tmp_path / "bench.toml")
    with pytest.raises(StorageError, match="cannot be read"):
        restore(tmp_path / "junk", tmp_path / "bench.toml")
    with pytest.raises(ConfigError, match="holds no bench file"):
        restore(tmp_path / "empty.sqlite", tmp_path / "bench.toml")


def test_results_of_other_sources_are_told_apart_in_the_view(store, determination):
    store.keep(replace(determination, source=Source.REFERENCE))
    assert [row["source"] for row in store.rows("SELECT source FROM v_results")] == ["reference"]
