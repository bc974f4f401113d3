"""What an earlier Saltern kept, today's opens: records by the code of their time (`old_records`), and bench files."""

import gzip
import json
import sqlite3
from contextlib import closing
from dataclasses import asdict
from pathlib import Path

import pytest

from saltern.clock import VirtualClock
from saltern.config.loading import load_bench
from saltern.errors import StartupError, StorageError
from saltern.procedures.again import evaluated_again
from saltern.records.opening import open_for_reading, open_store
from saltern.records.schema import VERSION
from saltern.running.service import open_service
from saltern_drivers.twin.scenario import Play, Scenario
from tests.cli.command import run

OLD = Path(__file__).parent / "old"
MADE = sorted(file.name.removesuffix(".sqlite.gz") for file in OLD.glob("*.sqlite.gz"))
BENCHES = sorted((OLD / "benches").glob("bench-*.toml"))


@pytest.fixture(params=MADE)
def old(request, tmp_path):
    """Return the path of unpacked records, and what the code of their time said of them."""
    for file in OLD.glob(f"{request.param}.sqlite*.gz"):
        (tmp_path / file.name.replace(request.param, "saltern").removesuffix(".gz")).write_bytes(
            gzip.decompress(file.read_bytes())
        )
    return tmp_path / "saltern.sqlite", json.loads((OLD / f"{request.param}.json").read_text())


def quantity(q):
    return [q.value, q.u, q.verdict.value, [reason.value for reason in q.reasons]]


def kept_in(path):
    """Return the bytes of records and of the small files beside them."""
    return {file.name: file.read_bytes() for file in (path, *path.parent.glob("saltern.sqlite*.json"))}


def said_of(store):
    """Say of records what their own code has said of them."""
    return {
        "results": [
            [
                number, d.source.value, d.started_at.isoformat(), d.method, quantity(d.alkalinity),
                quantity(d.ph_total), quantity(d.salinity), None if d.curve is None else d.curve.emf_mv.tolist(),
            ]
            for number, d in store.results(100)
        ],
        "latches": sorted(store.load_latches()),
        "alerts": [[alert.at.isoformat(timespec="milliseconds"), alert.code, alert.text]
                   for _, alert in store.alerts_after(0, 1000)],
    }  # fmt: skip


def test_records_of_the_first_schema_and_of_the_last_are_among_them():
    assert MADE[0] == "schema-1"
    assert len(MADE) >= 3


def test_everything_that_was_kept_is_read_as_it_was(old):
    path, expected = old
    store = open_store(path, VirtualClock())
    ledger = asdict(store.load_ledger())

    assert not store.found
    assert ledger == expected.pop("ledger")
    assert said_of(store) == expected
    assert store.fresh_damage() == []
    store.close()


def test_an_old_curve_can_be_evaluated_again(old):
    path, _ = old
    store = open_store(path, VirtualClock())
    d = store.determination(2)
    _, alkalinity = evaluated_again(d, None, {})
    store.close()

    assert alkalinity == pytest.approx(d.alkalinity.value, rel=2e-3)


def test_a_service_goes_on_with_them_and_its_trip_still_stands(old):
    path, _ = old
    clock = VirtualClock()
    config = load_bench(OLD / "benches" / "bench-simulated.toml")
    play = Play(Scenario(seed=4, days=1.0), config.model_dump(), clock)
    with closing(open_store(path, clock)) as store:
        service = open_service(config, play.wires, clock, store)
        assert [row.name for row in service.bench.guard.acting if row.kind == "trip"] == ["leak"]
        assert "records-lost" not in {alert.code for alert in service.raised}
        service.run(until_s=clock.monotonic() + 120.0)
        service.bench.close()
    with closing(open_store(path, clock)) as again:
        assert len(again.results(100)) == 3
        assert again.rows("PRAGMA user_version")[0][0] == VERSION


def test_before_the_service_has_brought_them_up_to_date_a_reader_says_so(old):
    path, _ = old
    with closing(sqlite3.connect(path)) as database:
        (version,) = database.execute("PRAGMA user_version").fetchone()
    if version == VERSION:
        open_for_reading(path, VirtualClock()).close()
        return
    with pytest.raises(StorageError, match="Start the service once"):
        open_for_reading(path, VirtualClock())


def test_records_of_a_newer_saltern_are_refused_and_not_touched(old):
    """What is newer holds what this version would not understand: tables, states, perhaps a trip."""
    path, _ = old
    open_store(path, VirtualClock()).close()
    with closing(sqlite3.connect(path)) as database:
        database.execute(f"PRAGMA user_version = {VERSION + 1}")
        database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    before = {file.name: file.read_bytes() for file in path.parent.glob("saltern.sqlite*.json")} | {
        "": path.read_bytes()
    }

    for opening in (open_store, open_for_reading):
        with pytest.raises(StorageError, match="newer Saltern"):
            opening(path, VirtualClock())
    after = {file.name: file.read_bytes() for file in path.parent.glob("saltern.sqlite*.json")} | {
        "": path.read_bytes()
    }
    assert after == before


@pytest.mark.parametrize("path", BENCHES, ids=lambda path: path.stem)
def test_every_bench_file_that_shipped_with_the_first_version_opens(path):
    config = load_bench(path)

    assert config.name
    if path.stem == "bench-of-many":
        assert set(config.outlets) == {"mqtt", "metrics"}


def test_an_option_that_is_no_more_names_its_successor():
    with pytest.raises(StartupError) as refused:
        load_bench(OLD / "benches" / "first-bench-simulated.toml")

    (cause,) = refused.value.causes
    assert cause.where.endswith("sample.rinse_ml")
    assert "sample.carry_over_umol_kg" in cause.remedy


def test_check_shows_it_to_whoever_upgrades():
    code, _, err = run("check", str(OLD / "benches" / "first-bench-simulated.toml"))

    assert code == 2
    assert "sample.carry_over_umol_kg" in err
