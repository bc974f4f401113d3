"""A tank that is about to leave its band is told in time; one that stays is not; the reef is the tests' own."""

from contextlib import closing
from datetime import timedelta

import pytest

from saltern.clock import VirtualClock
from saltern.config.loading import bench_from
from saltern.errors import StorageError
from saltern.model.alert import Severity
from saltern.model.logbook import Dose
from saltern.records.opening import open_for_reading, open_store
from saltern.running.alerting import Alerting
from saltern.running.leaving import CODE
from saltern.running.tank_keeping import keeping, look_at_tank, tank_keeping
from saltern.running.tank_seen import TankSeen
from tests.cli.test_tank import BEGIN, determination
from tests.processes import until
from tests.tank.reef import Reef, play
from tests.twin_bench import bench_table

LOW, HIGH, LEVEL = 7.0, 9.0, 8.0
SODA = {"salt": "sodium-bicarbonate", "g_per_l": 84.0}
ML_PER_DKH = 400.0 / 2.8039 / (84.0 / 84.006)
"""Of a solution with 84 g of NaHCO3 (84.006 g/mol) in a litre, in 400 L; 2.8039 dKH are one meq/L."""


class Service:
    """What of a service the keeping needs: its records, its alerts as they stand, and a mailbox that acts at once."""

    def __init__(self, store, config, clock):
        self.store, self.config, self.clock = store, config, clock
        self.told, self.tank_seen, self.mailbox = [], TankSeen(), self
        self.alerting = Alerting(clock, self.hear, lambda: "UTC")

    def hear(self, alert):
        self.store.post_alert(alert)
        self.told.append(alert)

    def put_for_records(self, act):
        act()


def live(path, reef, seed, dosed_by_hand=False, jumps=False):
    """Let a keeper's bench look at a tank after each result; return what was told of its band, and the truth."""
    played = play(reef, seed)
    (history,) = played.histories
    tank = {"volume_l": 400.0, "volume_u_percent": 1.5, "low_dkh": LOW, "target_dkh": LEVEL, "high_dkh": HIGH}
    a_day = history.doser[0].dkh_per_day
    if not dosed_by_hand:
        since = (BEGIN - timedelta(days=1)).isoformat()
        tank["doser"] = [{"since": since, "supplement": "soda", "ml_per_day": a_day * ML_PER_DKH}]
    config = bench_from(bench_table({"tank": {**tank, "supplements": {"soda": SODA}}}), where="test")
    clock = VirtualClock(start=BEGIN)
    store = open_store(path, clock)
    service, given_d = Service(store, config, clock), 0.0
    for one in history.seen[::2]:  # three a day
        clock.sleep(86400.0 * one.at_d - clock.monotonic())
        if dosed_by_hand and one.at_d > given_d:  # in portions, for the reef's own dose is even
            store.log(Dose(chemical="soda", amount=a_day * ML_PER_DKH * (one.at_d - given_d)), clock.now())
            given_d = one.at_d
        store.keep(determination(clock.now(), one.dkh))
        if jumps and one.at_d >= reef.level_step[0]:  # as the bands have it
            service.alerting.alert("alkalinity-rose", "it rose")
        looked = look_at_tank(store, config, config.tank, clock.now())
        if looked is not None:
            keeping(service, looked)()
    return service, played


def of_leaving(service):
    return [alert for alert in service.told if alert.code == CODE]


def day_of(alert):
    return (alert.at - BEGIN).total_seconds() / 86400.0


@pytest.fixture(scope="module")
def falling(tmp_path_factory):
    """The doser gives four fifths of what the corals take up: it leaves its band after about a week."""
    path = tmp_path_factory.mktemp("falling") / "saltern.sqlite"
    reef = Reef(1, 8, consumption=(0.75, 0.75), dosed_over_consumed=(0.8, 0.8), wander=(0.03, 0.03))
    service, played = live(path, reef, 5)
    yield path, service, played
    service.store.close()


def test_a_falling_tank_is_told_days_before_it_leaves_its_band(falling):
    _, service, played = falling
    first = of_leaving(service)[0]
    left_d = next(k for k, level in enumerate(played.level[:, 0]) if level < LOW) / 144.0

    assert first.severity is Severity.WARNING
    assert left_d - day_of(first) > 2.0
    assert "alkalinity will be below 7.00 dKH on" in first.text
    assert "if it is dosed as before" in first.text
    assert "dKH a day" in first.text


def test_once_it_has_left_the_band_speaks_and_no_forecast(falling):
    _, service, played = falling

    assert played.level[-1, 0] < LOW
    assert CODE not in {alert.code for alert in service.alerting.standing}


@pytest.fixture(scope="module")
def died(tmp_path_factory):
    """A process that died on the fifth day, its warning standing; nothing new has come since."""
    path = tmp_path_factory.mktemp("died") / "saltern.sqlite"
    reef = Reef(1, 5, consumption=(0.75, 0.75), dosed_over_consumed=(0.8, 0.8), wander=(0.03, 0.03))
    service, _ = live(path, reef, 5)
    service.store.close()
    return path, service


def test_it_stands_again_after_a_restart(died):
    path, before = died
    (raised,) = [alert for alert in before.alerting.standing if alert.code == CODE]
    with closing(open_store(path, before.clock)) as store, closing(open_for_reading(path, before.clock)) as reader:
        after = Service(store, before.config, before.clock)
        thread = tank_keeping(after, reader)
        until(lambda: after.alerting.standing)
        thread.close()

    (stands,) = after.alerting.standing
    assert (stands.code, stands.at) == (CODE, raised.at)
    assert after.told == []  # it was told before


def test_records_that_cannot_be_read_do_not_end_the_thread_that_scans(died):
    """What is posted for the records is done in the control thread, which it must not end."""

    class Unreadable:
        def each(self, *_, **__):
            raise StorageError("the records cannot be read", where="records", remedy="Look at the disk")

    path, before = died
    posted = []
    with closing(open_for_reading(path, before.clock)) as reader:
        after = Service(Unreadable(), before.config, before.clock)
        after.put_for_records = posted.append
        thread = tank_keeping(after, reader)
        until(lambda: posted)
        thread.close()
    for act in posted:
        act()

    assert after.alerting.standing == ()


def test_a_jump_is_not_taken_for_a_slope(tmp_path):
    """Something of 0.7 dKH is dosed at once: while that jump is news, no forecast is made of it."""
    reef = Reef(1, 5, consumption=(0.7, 0.7), dosed_over_consumed=(1.0, 1.0), wander=(0.0, 0.0), level_step=(4.0, 0.7))
    quiet, _ = live(tmp_path / "told.sqlite", reef, 5, jumps=True)
    quiet.store.close()

    assert of_leaving(quiet) == []


@pytest.mark.parametrize("by_hand", [False, True])
def test_a_tank_that_stays_is_not_told_so(tmp_path, by_hand):
    """A week of a doser that gives what is taken up, and of a keeper who gives as much by hand."""
    reef = Reef(1, 7, consumption=(0.7, 0.7), dosed_over_consumed=(1.0, 1.0), wander=(0.03, 0.03))
    service, played = live(tmp_path / "saltern.sqlite", reef, 9, dosed_by_hand=by_hand)
    service.store.close()

    assert played.level.min() > LOW
    assert played.level.max() < HIGH
    assert of_leaving(service) == []
