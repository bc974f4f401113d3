"""What systemd hears of the service: ready, alive while it scans, stopping."""

import os
import socket
from itertools import pairwise

import pytest

from saltern.clock import VirtualClock
from saltern.running.supervision import supervisor_of
from tests.twin_bench import TwinBench


@pytest.fixture
def systemd(tmp_path):
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line:
        line.bind(str(tmp_path / "notify"))
        line.setblocking(False)
        yield line


def heard(line):
    said = []
    while True:
        try:
            said.append(line.recv(100).decode())
        except BlockingIOError:
            return said


def environment(line, **more):
    return {"NOTIFY_SOCKET": line.getsockname(), **more}


def test_the_watchdog_is_fed_by_scans_and_by_nothing_else(systemd):
    here = TwinBench()
    supervisor = supervisor_of(environment(systemd, WATCHDOG_USEC="30000000"), here.clock)
    here.bench.guard.scanned = supervisor.alive
    here.clock.sleep(120.0)
    assert heard(systemd) == []

    here.bench.wait(120.0)
    fed = heard(systemd)
    assert set(fed) == {"WATCHDOG=1"}
    assert 9 <= len(fed) <= 13


def test_it_is_fed_at_least_twice_a_period_through_a_whole_determination(systemd):
    here = TwinBench()
    supervisor = supervisor_of(environment(systemd, WATCHDOG_USEC="30000000"), here.clock)
    fed_s = []
    here.bench.guard.scanned = lambda: (
        supervisor.alive(),
        fed_s.append(here.clock.monotonic()) if heard(systemd) else None,
    )
    here.determine()

    gaps_s = [later - earlier for earlier, later in pairwise(fed_s)]
    assert len(fed_s) > 20
    assert max(gaps_s) < 15.0


def test_ready_and_stopping_are_said(systemd):
    supervisor = supervisor_of(environment(systemd), VirtualClock())
    supervisor.ready()
    supervisor.alive()
    supervisor.stopping()

    assert heard(systemd) == ["READY=1", "STOPPING=1"]


def test_a_watchdog_meant_for_another_process_is_not_fed(systemd):
    other = environment(systemd, WATCHDOG_USEC="1000000", WATCHDOG_PID=str(os.getpid() + 1))
    supervisor_of(other, VirtualClock()).alive()

    assert heard(systemd) == []


def test_without_a_supervisor_and_with_a_dead_one_nothing_fails(tmp_path):
    for env in ({}, {"NOTIFY_SOCKET": str(tmp_path / "gone"), "WATCHDOG_USEC": "1000000"}):
        supervisor = supervisor_of(env, VirtualClock())
        supervisor.ready()
        supervisor.alive()
