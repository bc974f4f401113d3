"""What was known and told of a tank is kept as it stood, and any sqlite3 reads it; a reef of the tests judges it."""

import sqlite3
from contextlib import closing
from datetime import datetime, timedelta

import pytest

from saltern.clock import VirtualClock
from saltern.config.loading import bench_from
from saltern.model.logbook import Event
from saltern.records.opening import open_for_reading, open_store
from saltern.running.alerting import Alerting
from saltern.running.tank_keeping import keeping, look_at_tank, tank_keeping
from saltern.running.tank_picture import as_json, picture
from saltern.running.tank_seen import FRESH_FOR, TankSeen
from saltern.tank.findings import Cause
from tests.cli.test_tank import BEGIN, determination
from tests.processes import until
from tests.tank.reef import Reef, play
from tests.twin_bench import bench_table

ROSE_AT_D, ROSE_BY = 7.0, 0.6
DAYS = 10


class Told:
    """What of a service the keeping needs."""

    def __init__(self, store, config, clock):
        self.store, self.config, self.clock = store, config, clock
        self.mailbox, self.raised, self.tank_seen = self, [], TankSeen()
        self.alerting = Alerting(clock, lambda alert: self.raised.append((alert.code, alert.text)), lambda: "UTC")

    def put_for_records(self, act):
        act()


@pytest.fixture(scope="module")
def lived(tmp_path_factory):
    """Ten days of a reef whose corals take up more from the seventh on, looked at once a day."""
    path = tmp_path_factory.mktemp("tank") / "saltern.sqlite"
    played = play(Reef(1, DAYS, wander=(0.02, 0.02), rate_step=(ROSE_AT_D, -ROSE_BY)), 4)
    (history,) = played.histories
    config = bench_from(bench_table({"tank": {"volume_l": 400.0, "volume_u_percent": 1.5}}), where="test")
    clock = VirtualClock(start=BEGIN)
    store = open_store(path, clock)
    service, seen = Told(store, config, clock), list(history.seen)
    store.log(Event(what="coral-added", text="twelve frags"), BEGIN + timedelta(days=ROSE_AT_D - 1.0))
    store.log(Event(what="light-changed"), BEGIN + timedelta(days=1.0))
    for day in range(1, DAYS + 1):
        clock.sleep(86400.0 * day - clock.monotonic())
        while seen and seen[0].at_d < day:
            one = seen.pop(0)
            store.keep(determination(BEGIN + timedelta(days=one.at_d), one.dkh))
        looked = look_at_tank(store, config, config.tank, clock.now())
        keeping(service, looked)()
    store.close()  # beside a connection that is open, SQLite keeps the handles of one that is closed
    return path, played, service


def read(path, query):
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as plain:
        plain.row_factory = sqlite3.Row
        return plain.execute(query).fetchall()


def test_each_day_has_one_row_with_its_values_as_they_stood(lived):
    path, played, _ = lived
    rows = read(path, "SELECT * FROM v_tank_daily ORDER BY day")

    assert [row["day"] for row in rows] == [f"{BEGIN + timedelta(days=k):%Y-%m-%d}" for k in range(DAYS)]
    assert {row["results"] for row in rows} == {6}
    assert rows[0]["consumption_dkh_per_day"] is None  # too early: unknown is not zero
    sixth = rows[6]
    begin_d, end_d = (played.histories[0].seen[k].at_d for k in (0, 41))
    truth = played.over(played.net, end_d, end_d - begin_d)[0]
    assert abs(sixth["net_dkh_per_day"] - truth) < 3.0 * sixth["net_u_dkh_per_day"] + 0.02
    assert 0.0 < sixth["consumption_u_dkh_per_day"] < 0.2


def test_a_change_is_kept_as_a_finding_and_told_once_in_words(lived):
    path, _, service = lived
    rows = read(path, "SELECT * FROM v_findings ORDER BY id")

    assert rows
    assert [row["id"] for row in rows] == list(range(1, len(rows) + 1))
    first = rows[0]
    assert abs((_d(first["since_utc"])) - ROSE_AT_D) < 1.5
    assert _d(first["at_utc"]) > ROSE_AT_D
    assert first["whose"] in ("tank", "cannot-tell")
    told = [text for code, text in service.raised if code == "tank-finding"]
    assert len(told) == len(rows)
    assert told[0].startswith("finding 1: ")
    assert "% sure" in told[0]
    assert "Written down about then: twelve frags" in told[0]
    assert "light" not in told[0]


def _d(text):
    return (datetime.fromisoformat(text) - BEGIN).total_seconds() / 86400.0


def test_nothing_new_is_not_looked_at_again(lived):
    path, _, service = lived
    with closing(open_for_reading(path, service.clock)) as reader:
        assert look_at_tank(reader, service.config, service.config.tank, service.clock.now()) is None


def test_records_that_nothing_has_looked_at_are_looked_at_as_far_back_as_they_count(tmp_path):
    """As after an upgrade. A dose and a water change of long ago were once taken for a tank that takes up less."""
    (history,) = play(Reef(1, 15, wander=(0.02, 0.02)), 4).histories
    config = bench_from(bench_table({"tank": {"volume_l": 400.0, "volume_u_percent": 1.5}}), where="test")
    clock = VirtualClock(start=BEGIN + timedelta(days=15))
    with closing(open_store(tmp_path / "saltern.sqlite", clock)) as store:
        for one in history.seen:
            higher = 1.7 if 3.3 < one.at_d < 4.3 else 0.0
            store.keep(determination(BEGIN + timedelta(days=one.at_d), one.dkh + higher))
        service = Told(store, config, clock)
        looked = look_at_tank(store, config, config.tank, clock.now())
        keeping(service, looked)()

    assert [one.cause for one in looked.new] == [Cause.DOSE_UNLOGGED, Cause.WATER_CHANGE_UNLOGGED]
    assert [code for code, _ in service.raised if code == "tank-finding"] == []  # ten days old: kept, and no news


def test_the_thread_looks_when_it_is_asked_and_ends(lived):
    path, _, service = lived
    before, count = len(read(path, "SELECT * FROM v_tank_daily")), "SELECT count(*) FROM v_tank_daily"
    service.clock.sleep(4 * 3600.0)
    with closing(open_store(path, service.clock)) as store, closing(open_for_reading(path, service.clock)) as reader:
        alive = Told(store, service.config, service.clock)
        thread = tank_keeping(alive, reader)
        store.keep(determination(service.clock.now(), 8.0))
        thread.ask()
        until(lambda: store.rows(count)[0][0] == before + 1)
        thread.close()
        assert alive.tank_seen.now(service.clock.now(), service.config.tank)["consumption"]["windows"]


def test_a_restarted_service_knows_the_tank_though_nothing_is_new(lived):
    path, _, service = lived
    with closing(open_for_reading(path, service.clock)) as reader:
        alive = Told(None, service.config, service.clock)
        thread = tank_keeping(alive, reader)
        until(lambda: alive.tank_seen.knows(service.config.tank))
        thread.close()
        seen, at = alive.tank_seen.now(service.clock.now(), service.config.tank), service.clock.now()

    assert seen == as_json(picture_of(path, service), service.config.tank)
    later = at + FRESH_FOR + timedelta(hours=1)
    assert alive.tank_seen.now(later, service.config.tank) is None  # no result since: nothing of today


def test_a_target_that_changes_changes_the_advice_at_once_and_not_with_the_next_result(lived):
    path, _, service = lived
    old, at = service.config, service.clock.now()
    tank = {"volume_l": 400.0, "volume_u_percent": 1.5, "target_dkh": 9.0, "high_dkh": 14.0}
    new = bench_from(bench_table({"tank": tank}), where="test")
    with closing(open_for_reading(path, service.clock)) as reader:
        alive = Told(reader, old, service.clock)
        thread = tank_keeping(alive, reader)
        until(lambda: alive.tank_seen.knows(old.tank))
        before = alive.tank_seen.now(at, old.tank)["advice"]
        until(lambda: leaving_stands(alive))  # above 10 dKH within the week
        alive.config = new  # as `saltern reload` does
        assert alive.tank_seen.now(at, new.tank) is None  # what was advised for another target is not shown
        thread.ask()
        until(lambda: alive.tank_seen.knows(new.tank))
        until(lambda: not leaving_stands(alive))
        thread.close()
        after = alive.tank_seen.now(at, new.tank)["advice"]

    assert after["correction_dkh"] != before["correction_dkh"]


def leaving_stands(alive):
    return "alkalinity-leaving" in {alert.code for alert in alive.alerting.standing}


def picture_of(path, service):
    with closing(open_for_reading(path, service.clock)) as reader:
        return picture(reader, service.config, service.clock.now())


def test_a_bench_without_a_tank_is_left_alone(lived):
    path, _, service = lived
    bare = Told(None, bench_from(bench_table(), where="test"), service.clock)
    with closing(open_for_reading(path, service.clock)) as reader:
        thread = tank_keeping(bare, reader)
        thread.ask()
        thread.close()
    assert bare.raised == []
