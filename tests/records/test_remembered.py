"""What was read of the records counts until they change, whoever changes them."""

import sqlite3

import pytest

from saltern.clock import VirtualClock
from saltern.errors import StorageError
from saltern.records.opening import open_store
from saltern.records.remembered import Remembered
from saltern.records.store import IN_MEMORY, LOOK_AGAIN_S
from saltern.records.upkeep import keep_bench_file, keep_state, state
from saltern.running.service import IDLE_S, open_service
from saltern.running.upkeep import LOOK_EVERY_S
from tests.twin_bench import TwinBench


@pytest.fixture
def clock():
    return VirtualClock()


@pytest.fixture
def store(clock):
    opened = open_store(IN_MEMORY, clock)
    yield opened
    opened.close()


def queries_of(store):
    """Return a list that grows by each query of this process."""
    asked = []
    store._connection.set_trace_callback(asked.append)
    return asked


def test_a_state_is_read_once_until_somebody_writes(store, clock):
    parked = Remembered(lambda: state(store, "parked"), store)
    assert parked() is None
    asked = queries_of(store)
    assert parked() is None
    assert not asked

    keep_state(store, "parked", "holiday", clock.now())
    assert parked() == "holiday"
    keep_state(store, "parked", None, clock.now())
    assert parked() is None


def test_what_changes_beside_the_records_counts_too(store, clock):
    looks = []
    look = Remembered(lambda: looks.append(1), store)
    look(1.0)
    look(1.0)
    assert len(looks) == 1
    look(2.0)
    assert len(looks) == 2


def test_what_another_process_writes_is_seen_within_a_minute_with_the_round_that_follows(tmp_path, clock):
    assert LOOK_AGAIN_S + LOOK_EVERY_S + IDLE_S < 60.0
    path = tmp_path / "records.sqlite"
    store = open_store(path, clock)
    looks = []
    look = Remembered(lambda: looks.append(1), store)
    look()
    clock.sleep(LOOK_AGAIN_S + 0.1)
    look()
    assert len(looks) == 1
    with sqlite3.connect(path) as other:
        other.execute("DELETE FROM state")
    other.close()
    clock.sleep(LOOK_AGAIN_S - 0.2)
    look()
    assert len(looks) == 1
    clock.sleep(0.2)
    look()
    assert len(looks) == 2
    store.close()


def test_a_look_that_failed_is_not_remembered(store, clock):
    answers = iter((StorageError("malformed", where="test", remedy="Look at the disk"), "well"))

    def look():
        answer = next(answers)
        if isinstance(answer, Exception):
            raise answer
        return answer

    remembered = Remembered(look, store)
    with pytest.raises(StorageError):
        remembered()
    assert remembered() == "well"


def test_what_is_written_while_one_looks_is_seen_at_the_next_look(store, clock):
    def look():
        found = state(store, "parked")
        if found is None:
            keep_state(store, "parked", "meanwhile", clock.now())
        return found

    parked = Remembered(look, store)
    assert parked() is None
    assert parked() == "meanwhile"


def test_records_that_are_closed_say_so(clock):
    closed = open_store(IN_MEMORY, clock)
    closed.close()
    with pytest.raises(StorageError):
        Remembered(lambda: None, closed)()


def test_a_round_at_rest_asks_the_records_for_nothing_most_of_the_time():
    """An hour of rounds, 720, asked 6,480 times when each of them read the records anew.

    Now it looks once in 52 s and asks eleven times then, of which three hold the bench's state against its checksums.
    """
    twin = TwinBench()
    twin.bench.close()
    store = open_store(IN_MEMORY, twin.clock)
    keep_bench_file(store, "a bench", twin.clock.now())
    service = open_service(twin.config, twin.play.wires, twin.clock, store)
    service.round()
    asked, end_s = queries_of(store), twin.clock.monotonic() + 3600.0
    while twin.clock.monotonic() < end_s:
        service.round()
    assert 72 <= len(asked) <= 12 * 72  # looked at, and not in each round
    service.bench.close()
    store.close()


def test_a_hold_that_another_process_lets_go_of_is_noticed_within_a_minute(tmp_path):
    twin = TwinBench()
    twin.bench.close()
    path = tmp_path / "records.sqlite"
    store = open_store(path, twin.clock)
    service = open_service(twin.config, twin.play.wires, twin.clock, store)
    service.hands_at_the_bench("calibrate-pump")
    service.round()
    assert "hands-at-the-bench" in {alert.code for alert in service.alerting.standing}

    with sqlite3.connect(path) as other:
        other.execute("DELETE FROM state")
    other.close()
    begun_s = twin.clock.monotonic()
    while "hands-at-the-bench" in {alert.code for alert in service.alerting.standing}:
        service.round()
    assert twin.clock.monotonic() - begun_s < 60.0
    service.bench.close()
    store.close()
