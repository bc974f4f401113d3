"""What is kept comes back as it was, and trouble with the file is told in words."""

import sqlite3
from dataclasses import replace

import numpy as np
import pytest

from saltern.chemistry.endpoint.curve import Estimate
from saltern.clock import VirtualClock
from saltern.errors import StorageError
from saltern.model.alert import Alert, Severity
from saltern.model.determination import Source
from saltern.model.ledger import Interval, Ledger
from saltern.model.verdict import Quantity, Reason, Verdict
from saltern.records.opening import open_for_reading, open_store
from saltern.records.schema import MIGRATIONS, VERSION
from tests.twin_bench import TwinBench

LEDGER = Ledger(Interval(0.0, 12.0), Interval(900.0, 950.0), Interval(1.0, 400.0), 3.5, 1.25, "fill")


@pytest.fixture(scope="module")
def determination():
    return TwinBench().determine()


@pytest.fixture
def clock():
    return VirtualClock()


@pytest.fixture
def store(tmp_path, clock):
    opened = open_store(tmp_path / "records.sqlite", clock)
    yield opened
    opened.close()


def same(one, two):
    for name in one.__dataclass_fields__:
        a, b = getattr(one, name), getattr(two, name)
        if name == "curve":
            for column in a.__dataclass_fields__:
                np.testing.assert_array_equal(getattr(a, column), getattr(b, column))
        elif name == "end_point":
            np.testing.assert_array_equal(a.standardised_residuals, b.standardised_residuals)
            assert replace(a, standardised_residuals=None) == replace(b, standardised_residuals=None)
        elif name == "started_at":
            assert abs((a - b).total_seconds()) < 0.001
        else:
            assert a == b, name
    return True


def test_a_determination_comes_back_as_it_was(store, determination):
    number = store.keep(determination)

    assert number == 1
    assert same(determination, store.determination(1))
    assert store.next_id() == 2
    assert [d.alkalinity for d in store.reportable(Source.TANK, 5)] == [determination.alkalinity]
    assert store.reportable(Source.REFERENCE, 5) == []


def test_a_bent_electrode_comes_back_as_it_was(store, determination):
    bent = replace(determination, end_point=replace(determination.end_point, bend_mv=Estimate(-1.2, 0.3)))
    store.keep(bent)

    assert same(bent, store.determination(1))


def test_a_void_run_is_kept_with_its_reason_and_is_no_last_result(store, determination):
    void = replace(
        determination,
        alkalinity=Quantity(None, None, Verdict.VOID, (Reason.NOT_EMPTY,)),
        curve=None,
        conditions=None,
        priors=None,
        end_point=None,
        remarks=("the waste pump ran 90 s",),
    )
    store.keep(void)

    assert store.determination(1).alkalinity.reasons == (Reason.NOT_EMPTY,)
    assert store.reportable(Source.TANK, 5) == []
    assert store.last_started(Source.TANK) is not None


def test_a_number_that_does_not_exist_is_told_with_the_newest(store, determination):
    store.keep(determination)

    with pytest.raises(StorageError, match=r"no determination 7.*newest is 1"):
        store.determination(7)


def test_the_ledger_and_the_latches_outlive_the_process(tmp_path, clock, store):
    store.commit_ledger(LEDGER, "test")
    store.set_latch("leak")
    store.set_latch("overfill")
    store.clear_latch("overfill", "keeper")
    store.keep_alert(Alert(clock.now(), 1.0, Severity.ALERT, "leak", "wet"))
    store.close()

    again = open_store(tmp_path / "records.sqlite", clock)
    assert again.load_ledger() == LEDGER
    assert again.load_latches() == ["leak"]
    again.close()


def test_every_commit_is_durable(store, tmp_path):
    (journal,) = store._connection.execute("PRAGMA journal_mode").fetchone()
    (synchronous,) = store._connection.execute("PRAGMA synchronous").fetchone()

    assert (journal, synchronous) == ("wal", 2)


def test_a_damaged_file_is_moved_aside_and_told(tmp_path, clock, determination):
    path = tmp_path / "records.sqlite"
    store = open_store(path, clock)
    for _ in range(5):
        store.keep(determination)
    store.close()
    damaged = bytearray(path.read_bytes())
    damaged[4096:20000] = b"\x55" * (20000 - 4096)
    path.write_bytes(damaged)

    again = open_store(path, clock)

    assert "kept as records.sqlite.damaged-" in again.found
    assert again.next_id() == 1
    assert list(tmp_path.glob("records.sqlite.damaged-*"))
    again.close()


def test_a_file_that_is_no_database_is_moved_aside(tmp_path, clock):
    path = tmp_path / "records.sqlite"
    path.write_text("a shopping list, rather longer than a hundred bytes " * 10)
    store = open_store(path, clock)

    assert "damaged" in store.found
    store.close()


def test_records_of_a_newer_saltern_are_left_alone(tmp_path, clock, store):
    store._connection.execute(f"PRAGMA user_version = {VERSION + 1}")
    store.close()

    with pytest.raises(StorageError, match="a newer Saltern"):
        open_store(tmp_path / "records.sqlite", clock)


def test_a_full_disk_is_told_in_words_and_loses_nothing(store, determination):
    store.keep(determination)
    store._connection.execute("PRAGMA max_page_count = 12")

    def fill_the_disk():
        for _ in range(200):
            store.keep(determination)

    with pytest.raises(StorageError, match=r"could not be kept.*Make room"):
        fill_the_disk()
    store._connection.execute("PRAGMA max_page_count = 1000000")

    assert same(determination, store.determination(1))


def test_a_locked_file_is_told(tmp_path, store, determination):
    store._connection.execute("PRAGMA busy_timeout = 10")
    other = sqlite3.connect(tmp_path / "records.sqlite", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(StorageError, match="Another process"):
        store.keep(determination)
    other.close()


def test_two_services_cannot_share_one_benchs_records(tmp_path, clock, store):
    with pytest.raises(StorageError, match="another Saltern is running"):
        open_store(tmp_path / "records.sqlite", clock)


def test_a_reader_cannot_write_and_needs_a_file(tmp_path, clock, store, determination):
    store.keep(determination)
    reader = open_for_reading(tmp_path / "records.sqlite", clock)
    assert len(reader.results(10)) == 1
    with pytest.raises(StorageError, match="writable"):
        reader.keep(determination)
    reader.close()
    with pytest.raises(StorageError, match="no records here"):
        open_for_reading(tmp_path / "none.sqlite", clock)


def test_the_view_names_its_units(store, determination):
    store.keep(determination)
    row = store._connection.execute("SELECT * FROM v_results").fetchone()

    assert {"alkalinity_umol_kg", "alkalinity_u_umol_kg", "ph_total", "salinity", "temperature_c"} <= set(row.keys())
    assert len(MIGRATIONS) == VERSION
