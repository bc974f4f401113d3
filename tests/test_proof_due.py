"""An overdue proof test warns, and then holds scheduled starts; a bypass of what guards the number ends by itself."""

from datetime import timedelta

import pytest

from saltern.bench.proof import GRACE, trials
from saltern.errors import ConfigError, InterlockError, StorageError
from saltern.records.opening import open_store
from saltern.records.store import IN_MEMORY
from saltern.records.upkeep import keep_bench_file
from saltern.running.service import open_service
from tests.twin_bench import TwinBench


@pytest.fixture
def here():
    twin = TwinBench()
    twin.bench.close()
    store = open_store(IN_MEMORY, twin.clock)
    keep_bench_file(store, "a bench", twin.clock.now())
    service = open_service(twin.config, twin.play.wires, twin.clock, store)
    yield service
    store.close()


def days_pass(service, days):
    service.clock.sleep(days * 86400.0)
    service.round()


def acting(service):
    service.bench.guard.scan()
    return {row.name for row in service.bench.guard.acting}


def test_it_warns_at_once_and_holds_starts_after_the_grace(here):
    here.round()
    assert "proof-due" in {alert.code for alert in here.alerting.standing}
    assert "proof-test" not in acting(here)

    days_pass(here, GRACE / timedelta(days=1) + 1.0)
    assert "proof-test" in acting(here)
    here._measure_if_due()
    assert here.store.next_id() == 1


def test_once_proved_it_is_quiet_for_as_long_as_configured(here):
    for trial in trials(here.config):
        here.operator(["proved", trial.interlock, "passed", "a keeper"])
    days_pass(here, 179.0)
    assert "proof-due" not in {alert.code for alert in here.alerting.standing}
    days_pass(here, 2.0)
    assert "proof-due" in {alert.code for alert in here.alerting.standing}


def test_a_bypass_is_recorded_ends_by_itself_and_is_refused_for_what_keeps_the_floor_dry(here):
    days_pass(here, GRACE / timedelta(days=1) + 1.0)
    here.operator(["bypass", "proof-test", "2", "new float on order"])
    assert "proof-test" not in acting(here)
    assert here.bench.guard.bypassed()["proof-test"] == pytest.approx(7200.0)
    assert here.store.rows("SELECT why FROM v_bypasses")[0]["why"] == "new float on order"

    here.clock.sleep(7201.0)
    assert "proof-test" in acting(here)
    for name in ("overfill", "leak", "volume-bound", "titrant-run", "nonsense"):
        with pytest.raises(InterlockError, match="cannot be bypassed"):
            here.operator(["bypass", name, "1", "no reason"])
    with pytest.raises(ConfigError):
        here.operator(["bypass", "clock", "1000", "for ever"])


def test_records_that_cannot_be_read_are_told_of_and_do_not_end_the_service(here, monkeypatch):
    def broken(store):
        raise StorageError("malformed", where="test", remedy="Look at the disk")

    monkeypatch.setattr("saltern.running.watch.in_records.proved", broken)
    here.round()

    assert "storage" in {alert.code for alert in here.alerting.standing}
