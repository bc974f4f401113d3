"""The nightly copy: on another disk, whole, and of use when the card is dead."""

import sqlite3
from contextlib import closing
from datetime import UTC, datetime, time, timedelta
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from saltern.clock import VirtualClock
from saltern.config.loading import bench_from, load_bench
from saltern.errors import StartupError, StorageError
from saltern.records import copies
from saltern.records.copies import Copied, copied, copy_records, keep_copied
from saltern.records.opening import open_for_reading, open_store
from saltern.records.upkeep import keep_bench_file
from saltern.running.copying import OLD, Copying, is_due
from tests.cli.command import run
from tests.keeper import keeper
from tests.nine_days import NOW, nine_days
from tests.processes import rows
from tests.twin_bench import bench_table


def test_a_dead_card_costs_nothing_that_the_copy_has(tmp_path, disk):
    bench = nine_days(tmp_path)
    records = tmp_path / load_bench(bench).records.path
    with closing(open_store(records, VirtualClock(start=NOW))) as store:
        keep_bench_file(store, bench.read_text(), NOW)
        found = copy_records(records, disk, "kelp-room", NOW)  # beside the running writer
        keep_copied(store, found)
        assert copied(store) == found
    new_card = tmp_path / "new"
    new_card.mkdir()
    code, out, _ = run("restore", found.to, new_card / "bench.toml")

    assert code == 0, out
    (old,), (new,) = (
        rows(folder / records.name, "SELECT count(*) FROM determination") for folder in (tmp_path, new_card)
    )
    assert old == new == (found.determinations,)
    assert (new_card / "bench.toml").read_text() == bench.read_text()


def test_the_copy_before_is_kept_and_what_is_not_sound_gets_no_name(tmp_path, disk, monkeypatch):
    records = tmp_path / "s.sqlite"
    with closing(open_store(records, VirtualClock())):
        copy_records(records, disk, "kelp-room", NOW)
        first = (disk / "kelp-room.sqlite").stat().st_ino
        copy_records(records, disk, "kelp-room", NOW)
        assert (disk / "kelp-room.before.sqlite").stat().st_ino == first
        second = (disk / "kelp-room.sqlite").stat().st_ino

        sound = copies._synced

        def spoilt(path):  # what a bad stick gives back is not what was written
            sound(path)
            if path.is_file():
                data = bytearray(path.read_bytes())
                data[8192:] = b"\xff" * (len(data) - 8192)
                path.write_bytes(data)

        monkeypatch.setattr(copies, "_synced", spoilt)
        with pytest.raises(StorageError):
            copy_records(records, disk, "kelp-room", NOW)
    assert (disk / "kelp-room.sqlite").stat().st_ino == second
    with closing(sqlite3.connect(disk / "kelp-room.sqlite")) as copy:
        assert copy.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_a_disk_that_is_not_mounted_is_told_from_one_that_is(tmp_path):
    records = tmp_path / "s.sqlite"
    with closing(open_store(records, VirtualClock())):
        with pytest.raises(StorageError, match="not there"):
            copy_records(records, tmp_path / "stick", "kelp-room", NOW)
        (tmp_path / "stick").mkdir()  # the mount point itself, on the card
        with pytest.raises(StorageError, match="on the disk of the records"):
            copy_records(records, tmp_path / "stick", "kelp-room", NOW)
    assert list((tmp_path / "stick").iterdir()) == []


def test_a_folder_that_could_be_anywhere_is_refused():
    with pytest.raises(StartupError, match=r"records\.copy_to"):
        bench_from(bench_table({"records": {"copy_to": "stick"}}), where="bench.toml")


@settings(max_examples=30)
@given(st.integers(0, 8760), st.integers(0, 23))
def test_each_night_has_one_copy_and_a_missed_one_is_made_up_for(hours, hour):
    """Looked at each hour of three days, a bench is copied at most once a day, and is never two days without."""
    config = bench_from(
        bench_table({"records": {"copy_at": time(hour)}, "schedule.time_zone": "Europe/Lisbon"}), where="bench.toml"
    )
    now, made = datetime(2026, 1, 1, tzinfo=UTC) + timedelta(hours=hours), []
    for _ in range(72):
        if is_due(config, Copied(made[-1], "x", 1) if made else None, now):
            made.append(now)
        now += timedelta(hours=1)
    gaps = [after - before for before, after in pairwise(made)]

    assert made[0] <= now - timedelta(hours=72)
    assert 3 <= len(made) <= 4
    assert all(gap <= timedelta(hours=25) for gap in gaps)


def test_an_old_copy_is_told_and_a_new_one_clears_it(tmp_path, disk):
    asked = bench_from(bench_table({"records": {"copy_to": str(disk / "stick")}}), where="bench.toml")
    hands = keeper(seed=3, records=str(tmp_path / "saltern.sqlite"), bench=asked)
    service, reader = hands.service, open_for_reading(tmp_path / "saltern.sqlite", hands.stage.clock)
    keep_bench_file(service.store, "as it was", service.clock.now())
    copying = Copying(service, tmp_path / "saltern.sqlite", reader, look_every_s=1e6)
    try:
        copying.look()
        service.round()
        assert "copy-old" not in [alert.code for alert in service.alerting.standing]
        hands.stage.clock.step_wall((OLD + timedelta(hours=1)).total_seconds())
        copying.look()
        service.round()
        (old,) = [alert for alert in service.alerting.standing if alert.code == "copy-old"]
        assert "not there" in old.text
        (disk / "stick").mkdir()
        hands.stage.clock.step_wall(3600.0)
        copying.look()
        service.round()
        assert "copy-old" not in [alert.code for alert in service.alerting.standing]
        assert copied(reader).to == str(disk / "stick" / f"{service.config.name}.sqlite")
    finally:
        copying.close()
        reader.close()
        hands.stage.close()
