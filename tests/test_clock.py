"""Time passes in one place, and armed calls come at their own instants."""

from datetime import timedelta

from hypothesis import given
from hypothesis import strategies as st

from saltern.clock import PacedClock, RealClock, VirtualClock


@given(st.lists(st.floats(0.0, 100.0), max_size=20), st.lists(st.floats(0.0, 30.0), min_size=1, max_size=10))
def test_armed_calls_run_once_in_order_at_their_instants(delays, sleeps):
    clock = VirtualClock()
    seen = []
    for delay in delays:
        clock.call_later(delay, lambda due=delay: seen.append((due, clock.monotonic())))

    for seconds in sleeps:
        clock.sleep(seconds)

    assert seen == sorted(seen)
    assert all(due == at for due, at in seen)
    assert len(seen) == sum(delay <= clock.monotonic() for delay in delays)


def test_a_call_armed_by_a_call_runs_within_the_same_sleep():
    clock = VirtualClock()
    seen = []
    clock.call_later(1.0, lambda: clock.call_later(1.0, lambda: seen.append(clock.monotonic())))

    clock.sleep(5.0)

    assert seen == [2.0]


def test_a_cancelled_call_never_runs():
    clock = VirtualClock()
    seen = []
    clock.call_later(1.0, lambda: seen.append("late")).cancel()

    clock.sleep(5.0)

    assert seen == []


def test_a_wall_step_does_not_touch_durations():
    clock = VirtualClock()
    before = clock.now()
    clock.sleep(10.0)
    clock.step_wall(-3600.0)

    assert clock.monotonic() == 10.0
    assert clock.now() - before == timedelta(seconds=10 - 3600)


def test_observers_follow_every_instant_that_something_happens():
    clock = VirtualClock()
    seen = []
    clock.attach(seen.append)
    clock.call_later(1.5, lambda: None)

    clock.sleep(4.0)

    assert seen == [1.5, 4.0]


def test_the_paced_clock_takes_its_fraction_of_real_time():
    real, paced = RealClock(), PacedClock(factor=100.0)
    begun = real.monotonic()

    paced.sleep(5.0)

    assert paced.monotonic() == 5.0
    assert real.monotonic() - begun >= 0.05


def test_the_real_clock_runs_what_was_armed():
    clock = RealClock()
    seen = []
    ran = clock.call_later(0.01, lambda: seen.append("ran"))
    never = clock.call_later(600.0, lambda: seen.append("never"))
    never.cancel()
    for armed in (ran, never):
        armed.join()

    assert seen == ["ran"]
