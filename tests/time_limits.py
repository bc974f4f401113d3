"""A test may use so much processor time, `processor_time_s`; and one that sleeps for good is ended after `hang_s`.

Processor time does not pass while a busy machine does something else, so that a sound test never fails for it. What
child processes use is not counted here: each has its own limit (tests/processes.py). Both limits raise where the test
is, so that its fixtures still clean up and the report shows the stack.

Both are looked at by a timer of real time: its signal comes to the main thread, also where that one waits. The kernel's
own timer of processor time would interrupt whichever thread computes.
"""

import faulthandler
import signal
import sys
import time

import pytest

LOOK_EVERY_S = 0.5
AGAIN_AFTER_S = 5.0
"""Where an exception cannot be raised, as within a finaliser, it is raised again so much later."""

TEARDOWN_S = 10.0


class OutOfTimeError(BaseException):
    """A limit was passed. Not an Exception: neither a test nor a library takes it for a failure of its own."""


def pytest_addoption(parser):
    parser.addini("processor_time_s", "processor time that one test may use, s", type="float", default=120.0)
    parser.addini("hang_s", "time after which a sleeping test is ended, s", type="float", default=900.0)


class _Limits:
    """What is left to the test that runs."""

    def __init__(self, config):
        self._processor_s, self._hang_s = config.getini("processor_time_s"), config.getini("hang_s")
        self._timed = False
        signal.signal(signal.SIGALRM, self._look)

    def begin(self):
        self._test_until_s = time.process_time() + self._processor_s

    def arm(self, least_s):
        self._processor_until_s = max(self._test_until_s, time.process_time() + least_s)
        self._until_s = time.monotonic() + self._hang_s
        self._quiet_until_s = 0.0
        self._timed = True
        signal.setitimer(signal.ITIMER_REAL, LOOK_EVERY_S, LOOK_EVERY_S)

    def disarm(self):
        self._timed = False
        signal.setitimer(signal.ITIMER_REAL, 0.0)

    def _look(self, *_):
        now_s = time.monotonic()
        used_up, too_late = time.process_time() > self._processor_until_s, now_s > self._until_s
        if not self._timed or now_s < self._quiet_until_s or not (used_up or too_late):
            return
        self._quiet_until_s = now_s + AGAIN_AFTER_S
        faulthandler.dump_traceback(sys.__stderr__)  # of all threads: this one's comes with the error
        of_what = f"{self._processor_s:g} s of processor time" if used_up else f"{self._hang_s:g} s"
        raise OutOfTimeError(f"the test took more than {of_what}")


LIMITS = pytest.StashKey()


def pytest_configure(config):
    config.stash[LIMITS] = _Limits(config)


def _limited(item, least_s=0.001):
    limits = item.config.stash[LIMITS]
    limits.arm(least_s)
    try:
        return (yield)
    finally:
        limits.disarm()


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_runtest_setup(item):
    item.config.stash[LIMITS].begin()
    return (yield from _limited(item))


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_runtest_call(item):
    return (yield from _limited(item))


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_runtest_teardown(item):
    return (yield from _limited(item, TEARDOWN_S))
