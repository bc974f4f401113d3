"""A test that leaves a thread or a file handle behind fails, with their names: one day it would be the service."""

import gc
import os
import threading
import time
from contextlib import suppress

import pytest

ENDS_WITHIN_S = 10.0
"""Waited for only where something is left: what ends by itself may need its time on a busy machine."""

HANDLES = "/proc/self/fd"


def handles():
    """Return the open file handles, each with what it is open on."""
    found = set()
    for number in os.listdir(HANDLES):
        with suppress(FileNotFoundError):  # the one that lists them
            found.add((int(number), os.readlink(f"{HANDLES}/{number}")))
    return found


def left(threads, files):
    """Return what is there now that was not there then."""
    new_threads = [thread for thread in threading.enumerate() if thread not in threads]
    new_files = sorted(handles() - files)
    return [*(f"thread {thread.name}" for thread in new_threads), *(f"handle {n} on {what}" for n, what in new_files)]


@pytest.fixture(autouse=True)
def nothing_is_left_behind():
    """Set up before all others of a test, and so torn down after them."""
    threads, files = set(threading.enumerate()), handles()
    yield
    if any("socket:" in one for one in left(threads, files)):
        gc.collect()  # paho closes the pair of sockets that wakes its thread when a client is collected, and not before
    until_s = time.monotonic() + ENDS_WITHIN_S
    while (found := left(threads, files)) and time.monotonic() < until_s:
        time.sleep(0.01)
    assert not found, f"left behind: {', '.join(found)}"
