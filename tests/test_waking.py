"""A waker only asks to look; it asks at once, then again and again, until stopped."""

import threading

from saltern.clock import VirtualClock
from saltern.running.waking import ClockWaker, RealTimeWaker


def test_simulated_time_wakes_every_minute_until_stopped():
    clock, looks = VirtualClock(), []
    waker = ClockWaker(lambda: looks.append(clock.monotonic()), clock)
    clock.sleep(150.0)
    waker.stop()
    clock.sleep(1000.0)

    assert looks == [0.0, 60.0, 120.0]


def test_real_time_wakes_until_stopped():
    looked = threading.Semaphore(0)
    waker = RealTimeWaker(looked.release, every_s=0.05)

    for _ in range(3):
        looked.acquire()
    waker.stop()
