"""Whether a determination is due depends on times alone."""

from datetime import UTC, datetime, timedelta
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from saltern.schedule import is_due, next_due

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
EVERY = timedelta(hours=4)


def test_the_first_determination_is_due_at_once():
    assert is_due(NOON, None, EVERY)


def test_it_is_due_when_the_interval_has_passed_and_not_before():
    assert not is_due(NOON, NOON - EVERY + timedelta(seconds=1), EVERY)
    assert is_due(NOON, NOON - EVERY, EVERY)


def test_a_small_step_back_of_the_clock_waits_and_a_large_one_does_not_wait_for_years():
    assert not is_due(NOON, NOON + timedelta(hours=1), EVERY)
    assert is_due(NOON, NOON + timedelta(days=365), EVERY)


@given(st.lists(st.floats(-10_000.0, 10_000.0), min_size=1, max_size=60))
def test_however_the_clock_is_stepped_no_two_starts_come_within_the_interval_of_wall_time_forward(steps):
    now, last, starts = NOON, None, []
    for step in steps:
        now += timedelta(seconds=step)
        if is_due(now, last, EVERY):
            starts.append(now)
            last = now

    for earlier, later in pairwise(starts):
        assert later - earlier >= EVERY or later < earlier


@given(st.floats(0.0, 100_000.0))
def test_next_due_is_the_first_instant_that_is_due(seconds):
    now = NOON + timedelta(seconds=seconds)
    due = next_due(NOON, EVERY, now)

    assert due >= now
    assert is_due(due, NOON, EVERY)
