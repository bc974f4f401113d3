"""A test that leaves a thread, a handle or a process behind fails, with its name: one day it would be the service."""

import gc
import os
import re
import sys
import threading
import time
import warnings
from contextlib import suppress

import pytest

from tests.processes import end_what_is_left

ENDS_WITHIN_S = 10.0
"""Waited for only where something is left: what ends by itself may need its time on a busy machine."""

HANDLES = "/proc/self/fd"
FILES_KEPT = re.compile(r"/mpl-data/fonts/|/[.]lgd-nfy")
"""matplotlib keeps the fonts open that it has drawn with; lgpio, from its import on, the pipe of its notifications."""

PAIR_OF_PAHO = r"unclosed <socket\.socket .*laddr=\('127\.0\.0\.1', \d+\), raddr=\('127\.0\.0\.1', \d+\)>"

POOLS_KEPT = (("apprise.apprise", "_shared_executor"), ("apprise.apprise", "_coordinator_executor"))
"""apprise keeps its pools of threads for the life of the process, for the next message."""


def handles():
    """Return the open file handles, each with what it is open on."""
    found = set()
    for number in os.listdir(HANDLES):
        with suppress(FileNotFoundError):  # the one that lists them
            found.add((int(number), os.readlink(f"{HANDLES}/{number}")))
    return found


def threads_kept():
    """Return the threads that a library keeps by design."""
    pools = [getattr(sys.modules.get(module), name, None) for module, name in POOLS_KEPT]
    return {thread for pool in pools if pool is not None for thread in pool._threads}


def left(threads, files):
    """Return what is there now that was not there then."""
    new_threads = set(threading.enumerate()) - threads - threads_kept()
    new_files = sorted((n, what) for n, what in handles() - files if not FILES_KEPT.search(what))
    return [*(f"thread {thread.name}" for thread in new_threads), *(f"handle {n} on {what}" for n, what in new_files)]


def collect_clients():
    """Let paho close the pair of sockets that wakes its thread: it does when a client is collected, and not before.

    Where client and pair are collected in one cycle the pair may come first, which Python warns of. Of this pair alone:
    both its ends are on this computer's own address.
    """
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", PAIR_OF_PAHO, ResourceWarning)
        gc.collect()


@pytest.fixture(autouse=True)
def nothing_is_left_behind():
    """Set up before all others of a test, and so torn down after them."""
    threads, files = set(threading.enumerate()), handles()
    yield
    running = [f"process {words}" for words in end_what_is_left()]
    if any("socket:" in one for one in left(threads, files)):
        collect_clients()
    until_s = time.monotonic() + ENDS_WITHIN_S
    while (found := left(threads, files)) and time.monotonic() < until_s:
        time.sleep(0.01)
    found += running
    assert not found, f"left behind: {', '.join(found)}"
