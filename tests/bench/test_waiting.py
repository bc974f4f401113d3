"""Whatever waits follow each other, scans are never further apart than they may be, and never asked for twice."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from saltern.bench.waiting import IDLE_SCAN_S, POLL_S, RESTING_SCAN_S, StopRequested, Waiting
from saltern.clock import VirtualClock
from tests.twin_bench import TwinBench

WAITS = st.lists(
    st.tuples(st.floats(0.0, 30.0), st.sampled_from((RESTING_SCAN_S, IDLE_SCAN_S))), min_size=1, max_size=20
)


class Scans:
    """A guard as far as a wait knows it: when it was scanned, and whether a switch has acted since."""

    def __init__(self, clock):
        self._clock = clock
        self.due = False
        self.scanned_s, self.at_s = clock.monotonic(), []

    def scan(self):
        self.scanned_s = self._clock.monotonic()
        self.at_s.append(self.scanned_s)


@pytest.fixture
def clock():
    return VirtualClock()


@given(waits=WAITS)
def test_scans_are_never_further_apart_than_the_wait_allows(waits):
    clock = VirtualClock()
    guard = Scans(clock)
    waiting = Waiting("test", clock, guard)
    for seconds, scan_s in waits:
        begun_s, scanned_before = clock.monotonic(), len(guard.at_s)
        last_s = guard.scanned_s
        waiting.wait(seconds, scan_s)
        scans_s = guard.at_s[scanned_before:]
        overdue = begun_s - last_s >= scan_s - 1e-6  # it is scanned at once, however long ago the last scan was
        if overdue:
            assert scans_s[0] == begun_s
        for earlier, later in pairwise([*([] if overdue else [last_s]), *scans_s, clock.monotonic()]):
            assert later - earlier <= scan_s + 1e-6
    for earlier, later in pairwise(guard.at_s):
        assert later - earlier >= min(scan_s for _, scan_s in waits) - 1e-6


@given(waits=WAITS)
def test_a_wait_lasts_as_long_as_it_was_asked_to(waits):
    clock = VirtualClock()
    waiting = Waiting("test", clock, Scans(clock))
    for seconds, scan_s in waits:
        begun_s = clock.monotonic()
        waiting.wait(seconds, scan_s)
        assert clock.monotonic() - begun_s == pytest.approx(seconds, abs=1e-6)


def test_a_board_that_is_polled_does_not_make_the_bench_scan_at_each_look(clock):
    guard = Scans(clock)
    waiting = Waiting("test", clock, guard)
    for _ in range(100):
        waiting.wait(POLL_S)
    assert len(guard.at_s) == pytest.approx(100 * POLL_S / RESTING_SCAN_S, abs=1)


@pytest.mark.parametrize("seconds", [0.0, POLL_S, 3.0])
def test_a_stop_is_heeded_by_each_wait_however_short_and_however_lately_it_was_scanned(clock, seconds):
    guard = Scans(clock)
    waiting = Waiting("test", clock, guard)
    guard.scan()
    waiting.request_stop()
    with pytest.raises(StopRequested):
        waiting.wait(seconds)


def test_a_stop_that_is_asked_for_during_a_wait_ends_it_at_the_next_scan(clock):
    waiting = Waiting("test", clock, Scans(clock))
    clock.call_later(2.5, waiting.request_stop)
    with pytest.raises(StopRequested):
        waiting.wait(60.0)
    assert clock.monotonic() <= 2.5 + RESTING_SCAN_S


@pytest.mark.parametrize("seconds", [0.5, 60.0])
def test_a_switch_that_acts_at_rest_is_latched_by_the_wait_in_which_it_does(seconds):
    """Its callback cuts the pumps at once; the scan that latches it must not wait for its turn."""
    twin = TwinBench()
    twin.bench.guard.scan()
    twin.clock.call_later(0.1, lambda: twin.happens("leak_wet"))
    twin.bench.idle(seconds)
    twin.bench.idle(0.0)

    assert "leak" in [row.name for row in twin.bench.guard.acting]
