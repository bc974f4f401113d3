"""The records, out of the machine and onto another."""

import csv
import json
import sqlite3
import sys
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime

import pandas
import pyarrow.parquet
import pytest

from saltern.clock import VirtualClock
from saltern.errors import StorageError
from saltern.model.determination import Quantity
from saltern.model.logbook import Dose, Remark, WaterChange
from saltern.model.verdict import Reason, Verdict
from saltern.records.backup import back_up
from saltern.records.export import LOG, RESULTS, write_log, write_results
from saltern.records.opening import open_for_reading, open_store
from tests.cli.command import run
from tests.twin_bench import TwinBench

EVER = datetime(1, 1, 1, tzinfo=UTC)


@pytest.fixture(scope="module")
def determination():
    return TwinBench().determine()


@pytest.fixture
def records(tmp_path, determination):
    path = tmp_path / "s.sqlite"
    store = open_store(path, VirtualClock())
    store.keep(determination)
    void = Quantity(None, None, Verdict.VOID, (Reason.NOT_EMPTY,))
    store.keep(replace(determination, alkalinity=void, ph_total=void, salinity=void, end_point=None))
    store.log(Dose(chemical="soda solution", amount=12.5), datetime(2026, 3, 2, 18, tzinfo=UTC))
    store.log(WaterChange(litres=40.0, alkalinity_dkh=8.1), datetime(2026, 3, 3, 9, tzinfo=UTC))
    store.log(Remark(text='a "new", lamp'), datetime(2026, 3, 1, 9, tzinfo=UTC))
    yield path, store
    store.close()


def exported(records, tmp_path, write, rows):
    path = tmp_path / "out.csv"
    with path.open("w", newline="", encoding="utf-8") as file:
        write(file, rows)
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def test_results_say_their_units_and_leave_empty_what_was_not_measured(records, tmp_path, determination):
    rows = exported(records, tmp_path, write_results, records[1].results(10)[::-1])

    assert list(rows[0]) == list(RESULTS)
    assert float(rows[0]["alkalinity_umol_per_kg"]) == pytest.approx(determination.alkalinity.value, abs=1e-3)
    assert float(rows[0]["alkalinity_dkh"]) == pytest.approx(
        float(rows[0]["alkalinity_meq_per_l"]) / 0.356632, rel=1e-3
    )
    assert datetime.fromisoformat(rows[0]["started_utc"]).utcoffset().total_seconds() == 0
    assert (rows[1]["alkalinity_umol_per_kg"], rows[1]["alkalinity_reasons"]) == ("", "vessel-not-proved-empty")


def test_the_keepers_log_comes_out_in_the_order_of_its_times(records, tmp_path):
    rows = exported(records, tmp_path, write_log, records[1].logged(EVER))

    assert list(rows[0]) == list(LOG)
    assert [row["kind"] for row in rows] == ["remark", "dose", "water-change"]
    assert json.loads(rows[1]["detail_json"]) == {"amount": 12.5, "chemical": "soda solution", "unit": "mL"}


def test_a_backup_taken_beside_a_running_writer_restores_everything(records, tmp_path, determination):
    path, store = records
    assert back_up(path, tmp_path / "copy.sqlite") == 2
    store.keep(determination)

    restored = open_for_reading(tmp_path / "copy.sqlite", VirtualClock())
    kept = restored.determination(1)
    assert kept.alkalinity == determination.alkalinity
    assert kept.end_point.findings == determination.end_point.findings
    assert [entry.entry.kind for entry in restored.logged(EVER)] == ["remark", "dose", "water-change"]
    restored.close()

    again = open_store(tmp_path / "copy.sqlite", VirtualClock())
    assert again.keep(determination) == 3
    again.close()


def test_a_backup_that_cannot_be_written_leaves_none_behind(records, tmp_path):
    with pytest.raises(StorageError, match="could not be written"):
        back_up(records[0], tmp_path / "no" / "copy.sqlite")
    with pytest.raises(StorageError, match="no records"):
        back_up(tmp_path / "nothing.sqlite", tmp_path / "copy.sqlite")

    assert not (tmp_path / "copy.sqlite").exists()


def test_damaged_records_are_not_called_a_backup(records, tmp_path):
    path, store = records
    store.close()
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    data = bytearray(path.read_bytes())
    data[4096 * 3 : 4096 * 4] = b"\xff" * 4096
    path.write_bytes(data)

    with pytest.raises(StorageError):
        back_up(path, tmp_path / "copy.sqlite")
    assert not (tmp_path / "copy.sqlite").exists()


def test_last_dose_is_the_newest_by_its_own_time(records):
    assert records[1].last_dose() == datetime(2026, 3, 2, 18, tzinfo=UTC)


def test_pandas_reads_both_files_alike_with_types_units_and_nothing_for_what_was_not_measured(records, tmp_path):
    """By a library that nobody here wrote; a plain spreadsheet reads the same CSV."""
    for name in ("out.csv", "out.parquet"):
        assert run("export", "--db", records[0], "--to", tmp_path / name)[0] == 0
    csv_table = pandas.read_csv(tmp_path / "out.csv", parse_dates=["started_utc"])
    table = pandas.read_parquet(tmp_path / "out.parquet")

    assert list(csv_table.columns) == list(table.columns) == list(RESULTS)
    assert str(table["started_utc"].dtype).startswith("datetime64")
    assert str(table["started_utc"].dt.tz) == str(csv_table["started_utc"].dt.tz) == "UTC"
    for name in ("alkalinity_umol_per_kg", "alkalinity_dkh", "ph_total", "salinity_practical", "titrant_ml"):
        assert table[name].dtype == csv_table[name].dtype == "float64"
        assert table[name].to_numpy() == pytest.approx(csv_table[name].to_numpy(), rel=1e-3, nan_ok=True)
    assert table["alkalinity_umol_per_kg"].isna().tolist() == [False, True]
    units = {
        field.name: field.metadata[b"unit"].decode() for field in pyarrow.parquet.read_schema(tmp_path / "out.parquet")
    }
    assert units["alkalinity_u_umol_per_kg"] == "umol/kg, k = 1"
    assert all(units.values())


def test_the_log_goes_into_parquet_too(records, tmp_path):
    assert run("export", "log", "--db", records[0], "--to", tmp_path / "log.parquet")[0] == 0

    assert list(pandas.read_parquet(tmp_path / "log.parquet")["kind"]) == ["remark", "dose", "water-change"]


def test_without_pyarrow_it_is_said_what_to_install(records, tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    code, _, err = run("export", "--db", records[0], "--to", tmp_path / "out.parquet")

    assert code == 2
    assert "EXTRAS=gpio,i2c,modbus,mqtt,metrics,alerts,parquet;" in err
    assert not (tmp_path / "out.parquet").exists()


def test_a_file_that_cannot_be_written_is_told(records, tmp_path):
    for name in ("out.csv", "out.parquet"):
        code, _, err = run("export", "--db", records[0], "--to", tmp_path / "nowhere" / name)
        assert code == 1
        assert "cannot be written" in err
