"""What a stage may move stands on the disk before a pump turns; what it has moved, after it."""

from dataclasses import replace

import pytest

from saltern.errors import ConfigError, StorageError
from saltern.model.ledger import Interval
from tests.twin_bench import TwinBench


def test_a_stage_is_on_the_disk_while_it_is_open_and_settled_when_it_has_ended():
    twin = TwinBench()
    bench, store = twin.bench, twin.store
    bench.account.ledger = replace(bench.ledger, vessel_ml=Interval(0.0, 10.0))
    with bench.stage("a try", sample_ml=5.0, titrant_ml=1.0):
        promised = store.ledger

    assert promised.stage == "a try"
    assert promised.vessel_ml.high > 10.0 + 5.0 + 1.0
    assert promised.titrant_left_ml.low < bench.ledger.titrant_left_ml.low - 1.0
    assert store.ledger == bench.ledger
    assert store.ledger.stage is None
    assert store.ledger.vessel_ml == Interval(0.0, 10.0)


def test_a_new_trip_is_on_the_disk_before_the_ledger_that_follows_it():
    twin = TwinBench()
    kept = []
    twin.store.on_commit = lambda: kept.append(list(twin.store.latches))
    twin.bench.guard.trip("liquid_unasked")
    twin.bench.note(twin.bench.ledger, "a try")

    assert kept == [["unasked"]]


def test_a_disk_that_takes_a_ledger_again_lets_liquid_be_added_again():
    twin = TwinBench()

    def fail():
        raise StorageError("the disk is full", where="records", remedy="Make room")

    twin.store.on_commit = fail
    with pytest.raises(StorageError):
        twin.bench.note(twin.bench.ledger, "a try")
    twin.bench.guard.scan()
    assert "storage" in {row.name for row in twin.bench.guard.acting}

    twin.store.on_commit = None
    twin.bench.note(twin.bench.ledger, "a try")
    twin.bench.guard.scan()
    assert "storage" not in {row.name for row in twin.bench.guard.acting}


def test_a_wet_cell_is_not_taken_for_empty_on_a_keepers_word():
    twin = TwinBench()
    assert twin.world.volume_ml() > twin.bench.machine.cell_ml  # as it was left
    with pytest.raises(ConfigError, match="not empty"):
        twin.bench.accept_empty("the keeper looked")
    assert twin.bench.ledger.vessel_ml.high >= twin.world.volume_ml()
