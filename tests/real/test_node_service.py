"""The service with its pumps on the pump node starts, ends and dies, and no motor of the node turns on without it.

Nobody but the node stops them: `safe-off` knows no output of this bench, and a dead service says nothing.
"""

import os
import signal
import time

import pytest

from tests.node.boards import Here, OnMicroPython
from tests.real.examples import node_bench
from tests.real.service import running, safe_off

STOPS_WITHIN_S = 0.7
LOOKS_FOR_S = 1.5


@pytest.fixture
def bench(pi_header, tmp_path):
    made = node_bench(pi_header, tmp_path, Here)
    yield made
    made.world.close()


@pytest.fixture(params=[Here, OnMicroPython], ids=["here", "micropython"])
def either_bench(request, pi_header, tmp_path):
    made = node_bench(pi_header, tmp_path, request.param)
    yield made
    made.world.close()


def wait_until_it_drains(service, world):
    """Wait for the waste pump; where a busy computer let the node answer too late, the keeper asks for another run.

    A void run that came before this call counts as well: a service that goes on may end its run at once.
    """
    before = world.drives.steps["waste"]

    def drains():
        if world.drives.steps["waste"] > before + 300:
            return True
        if (voids := service.voids()) > service.voids_answered:
            service.ask("measure")  # refused while the node is away: asked again at the next look
            service.voids_answered = voids
        return False

    service.wait_for(drains, "the waste pump drains the first sample")


class Ending:
    """The moment in which a service ends or hangs, by the world's own time."""

    def __init__(self, world):
        self._world = world

    def __enter__(self):
        self._from_s = self._world.clock.monotonic()
        return self

    def __exit__(self, *_):
        with self._world.lock:
            self._until_s, self._world.longest_look_s = self._world.clock.monotonic(), 0.0

    def assert_motors_stopped_in_time(self):
        """Hold that one turned and none did for longer than it may; a late look gave the node its permit as late."""
        world = self._world
        while world.world.at_s < self._until_s + LOOKS_FOR_S:
            time.sleep(0.01)
        with world.lock:
            assert world.drives.state["turning"] == [False, False, False]
            turned_s = max(head.last_moved_s for head in world.world.pumps.values())
            assert self._from_s < turned_s < self._until_s + STOPS_WITHIN_S + world.longest_look_s


def test_it_starts_on_a_node_drains_and_stops_with_every_motor_at_rest(bench, pi_header):
    world = bench.world
    with running(pi_header, bench.file) as service:
        service.wait_until_ready()
        wait_until_it_drains(service, world)

        assert service.stop() == 0, service.said()

    with world.lock:
        assert world.drives.state["turning"] == [False, False, False]
    assert "Traceback" not in service.said()
    assert world.world.spilled.spilled_ml == 0.0


def test_killed_while_a_pump_turns_the_node_stops_it_and_the_service_starts_again(either_bench, pi_header):
    file, world = either_bench.file, either_bench.world
    with running(pi_header, file) as service:
        wait_until_it_drains(service, world)
        with Ending(world) as death:
            service.kill()
        done = safe_off(pi_header, file)

        assert done.returncode == 0, done.stderr
        death.assert_motors_stopped_in_time()
    with running(pi_header, file) as service:
        service.wait_until_ready()
        wait_until_it_drains(service, world)  # it recovers
        assert service.stop() == 0, service.said()
    assert world.world.spilled.spilled_ml == 0.0


def test_a_hung_service_loses_its_pump_to_the_node_and_recovers_when_it_goes_on(bench, pi_header):
    world = bench.world
    with running(pi_header, bench.file) as service:
        wait_until_it_drains(service, world)
        with Ending(world) as hang:
            os.kill(service.process.pid, signal.SIGSTOP)
        hang.assert_motors_stopped_in_time()

        os.kill(service.process.pid, signal.SIGCONT)
        wait_until_it_drains(service, world)
        assert service.stop() == 0, service.said()
    assert world.world.spilled.spilled_ml == 0.0
