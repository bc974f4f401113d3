"""A test may use so much processor time, `processor_time_s`; and one that sleeps for good is ended after `hang_s`.

Processor time does not pass while a busy machine does something else, so that a sound test never fails for it. What
child processes use is not counted here: each has its own limit (tests/processes.py). Both limits raise where the test
is, so that its fixtures still clean up and the report shows the stack.
"""

import faulthandler
import signal
import sys
import time

import pytest

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
        signal.signal(signal.SIGPROF, lambda *_: self._over(f"more than {self._processor_s:g} s of processor time"))
        signal.signal(signal.SIGALRM, lambda *_: self._over(f"more than {self._hang_s:g} s"))

    def begin(self):
        self._until_s = time.process_time() + self._processor_s

    def arm(self, least_s):
        self._timed = True
        left_s = max(least_s, self._until_s - time.process_time())
        signal.setitimer(signal.ITIMER_PROF, left_s, AGAIN_AFTER_S)
        signal.setitimer(signal.ITIMER_REAL, self._hang_s, AGAIN_AFTER_S)

    def disarm(self):
        self._timed = False
        signal.setitimer(signal.ITIMER_PROF, 0.0)
        signal.setitimer(signal.ITIMER_REAL, 0.0)

    def _over(self, what):
        if self._timed:
            faulthandler.dump_traceback(sys.__stderr__)  # of all threads: this one's comes with the error
            raise OutOfTimeError(f"the test took {what}")


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
