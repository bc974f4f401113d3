"""A determination waits for what the keeper says and for what inputs say; nothing unknown is taken for granted."""

import pytest

from saltern.config.loading import bench_from
from saltern.records.opening import open_store
from saltern.records.store import IN_MEMORY
from saltern.running.service import open_service
from tests.twin_bench import TwinBench, bench_table

PIN = 6


@pytest.fixture
def here():
    changes = {
        "inputs": {"return-pump": {"driver": "gpio-switch", "pin": PIN}},
        "schedule": {"every_h": 4.0, "conditions": ["return-pump", "not feeding"]},
    }
    twin = TwinBench()
    store = open_store(IN_MEMORY, twin.clock)
    twin.bench.close()
    service = open_service(bench_from(bench_table(changes), where="test"), twin.play.wires, twin.clock, store)
    yield twin, service
    store.close()


def close_contact(twin, closed):
    pin = twin.play.wires.pins.pin(PIN)
    pin.drive_low() if closed else pin.drive_high()
    twin.clock.sleep(0.3)


def test_it_starts_only_while_every_condition_holds(here):
    twin, service = here
    close_contact(twin, closed=False)
    assert service.start_rules.decision().why == "waits for: not feeding"
    service.store.set_condition("feeding", True)
    assert not service.start_rules.decision().start
    service.store.set_condition("feeding", False)
    assert service.start_rules.decision().start
    close_contact(twin, closed=True)
    assert service.start_rules.decision().why == "waits for: return-pump"


def test_an_absence_stretches_the_schedule_while_it_lasts(here):
    from datetime import timedelta

    from saltern.model.away import Away
    from saltern.records.upkeep import go_away

    twin, service = here
    go_away(service.store, Away(twin.clock.now() + timedelta(days=3), 9.0))
    assert service.start_rules.schedule().every_h == 9.0
    twin.clock.sleep(3 * 86400.0 + 1.0)
    assert service.start_rules.schedule().every_h == 4.0
