"""After an upgrade that gives tables new columns, rows of the version before are sound, and damage stays damage."""

import sqlite3
from contextlib import closing

import pytest

from saltern.clock import VirtualClock
from saltern.model.determination import PhAt
from saltern.records import row_sums
from saltern.records.determination_row import row_of
from saltern.records.opening import open_store
from saltern.records.schema import MIGRATIONS
from tests.twin_bench import TwinBench

BEFORE_PARTS = 8
NEW = {"parts", "budget_ph", "ph_at_tank"}


@pytest.fixture(scope="module")
def determination():
    return TwinBench(stated={"water": {"temperature_c": 27.0}}).determine()


def records_of_before(path, determination, rows):
    """Write records as the version before the parts did, checksums included."""
    row = {name: value for name, value in row_of(determination, "boot").items() if name not in NEW}
    names = ", ".join(row)
    with closing(sqlite3.connect(path)) as old:
        row_sums.prepare(old)
        for number, step in enumerate(MIGRATIONS[:BEFORE_PARTS]):
            old.executescript(f"BEGIN; {step} PRAGMA user_version = {number + 1}; COMMIT;")
        row_sums.sum_what_is_written(old)
        for _ in range(rows):
            old.execute(f"INSERT INTO determination ({names}) VALUES ({', '.join(f':{name}' for name in row)})", row)
        old.commit()


def test_rows_with_checksums_are_sound_after_the_upgrade(tmp_path, determination):
    path = tmp_path / "s.sqlite"
    records_of_before(path, determination, 3)
    with closing(sqlite3.connect(path)) as damaged:
        damaged.execute("UPDATE determination SET alkalinity_umol_kg = 2000.0 WHERE id = 2")
        damaged.commit()

    for _ in range(2):
        store = open_store(path, VirtualClock())
        store.look_through()
        assert [number for number, _ in store.results(10)] == [3, 1]
        assert store.is_damaged("determination", 2)
        assert store.determination(1).alkalinity.parts is None
        assert store.determination(1).alkalinity.in_parts().u_own == determination.alkalinity.u
        store.close()


def test_parts_and_the_tanks_ph_come_back_as_they_were(tmp_path, determination):
    store = open_store(tmp_path / "s.sqlite", VirtualClock())
    store.keep(determination)
    again = store.determination(1)

    assert isinstance(determination.ph_at_tank, PhAt)
    assert again.ph_at_tank == determination.ph_at_tank
    assert again.alkalinity.parts == determination.alkalinity.parts
    assert again.alkalinity.parts.u == pytest.approx(again.alkalinity.u)
    assert again.ph_total.parts.u == pytest.approx(again.ph_total.u)
    assert again.salinity.parts.u == pytest.approx(again.salinity.u)
    assert again.budget_ph == determination.budget_ph
    row = store.rows("SELECT parts, ph_at_tank FROM v_results")[0]
    assert "titre factor of the bench file" in row["parts"]
    store.close()
