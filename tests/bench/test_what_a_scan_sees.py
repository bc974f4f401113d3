"""A scan sees the ledger that is in force, and is told of; a motion that nobody asked a purpose for meets the gate."""

from dataclasses import replace

import pytest

from saltern.bench.gate import PARKED, GateClosedError, Purpose
from saltern.model.ledger import Interval
from tests.twin_bench import MemoryStore, TwinBench


@pytest.fixture
def bench():
    return TwinBench().bench


def acting(bench):
    bench.guard.scan()
    return {row.name for row in bench.guard.acting}


def test_a_ledger_at_each_of_its_limits_is_seen_by_the_next_scan(bench):
    config, begun = bench.config, replace(bench.ledger, vessel_ml=Interval(0.0, 10.0))
    limits = config.limits
    reached = {
        "volume-bound": replace(begun, vessel_ml=Interval(0.0, bench.machine.overfill_ml + 0.1)),
        "titrant-run": replace(begun, titrant_run_ml=2.0 * limits.titrant_per_run_ml),
        "titrant-day": replace(begun, titrant_recent_ml=limits.titrant_per_day_ml + 0.1),
        "titrant-empty": replace(begun, titrant_left_ml=Interval(0.0, 0.0)),
        "waste-full": replace(begun, waste_ml=Interval(0.0, config.waste.container_ml)),
    }
    bench.account.ledger = begun
    before = acting(bench)
    for name, ledger in reached.items():
        bench.account.ledger = ledger

        assert name not in before
        assert name in acting(bench)


def test_whoever_listens_is_told_of_every_scan(bench):
    told = []
    bench.guard.scanned = lambda: told.append(bench.clock.monotonic())
    for _ in range(3):
        bench.guard.scan()

    assert len(told) == 3


def test_a_motion_without_a_purpose_is_refused_where_an_operators_would_be():
    parked = MemoryStore(states={**MemoryStore().states, PARKED: {"why": "a try"}})
    gate = TwinBench(store=parked).bench.gate

    with pytest.raises(GateClosedError):
        gate.demand_motion("sample")
    with gate.through(Purpose.GUIDED):
        gate.demand_motion("sample")


def test_a_bench_that_nothing_holds_lets_a_motion_through(bench):
    bench.gate.demand_motion("sample")
    bench.gate.demand_motion("waste")
