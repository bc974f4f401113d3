"""The node's drivers on a real terminal, the node's firmware behind it, and the twin's liquids behind that."""

import pytest

from saltern.clock import RealClock
from saltern.ports import Direction, DriverError, Wires
from saltern_drivers import pump_node
from saltern_drivers.gpio_lines import open_serial
from saltern_drivers.returning import in_a_thread
from tests.node.boards import Here
from tests.real.bench_world import BenchWorld, Physics
from tests.real.drives import NodeDrives
from tests.real.examples import SEED
from tests.twin_bench import bench_table

RATE, STEPS = 2000, 800
POLL_S = 0.02


class NodeBench:
    """A world on a node, and the drivers of its pumps."""

    def __init__(self, folder):
        name = folder / "by-id" / "usb-node"
        self.physics = Physics(bench_table(name="bench-node.toml"), SEED)
        self.world = BenchWorld(self.physics, NodeDrives(Here(), name), [])
        self.clock = RealClock()
        wires = Wires(clock=self.clock, pins=None, pulses=None, open_serial=open_serial, aside=in_a_thread)
        where = {"port": str(name)}
        self.pumps = {
            pump: pump_node.PUMP.open(
                pump_node.PumpConfig(**where, pump=pump, steps_per_s=RATE, reversible=pump == "sample"), wires
            )
            for pump in pump_node.NUMBERS
        }
        self.permits = {
            pump: pump_node.PERMIT.open(pump_node.Config(**where, pump=pump), wires) for pump in pump_node.NUMBERS
        }

    def scan(self, pump):
        """Do what the bench does in each scan of a motion; return its progress."""
        progress = self.pumps[pump].progress()
        self.clock.sleep(POLL_S)
        self.permits[pump].kick()
        return progress

    def turn(self, pump, direction=Direction.FORWARD):
        """Turn as the bench does; return the last progress."""
        self.permits[pump].kick()
        self.pumps[pump].start(STEPS, direction)
        while (progress := self.scan(pump)).running:
            with self.world.lock:  # as a board's answer does, between two looks
                self.physics.world.advance(self.physics.clock.monotonic())
        return progress

    def close(self):
        for device in (*self.pumps.values(), *self.permits.values()):
            device.close()
        self.world.close()


@pytest.fixture
def bench(tmp_path):
    made = NodeBench(tmp_path)
    yield made
    made.close()


def test_every_step_that_the_node_counts_moves_liquid(bench):
    world, before_ml = bench.physics.world, bench.physics.world.volume_ml()

    progress = bench.turn("sample")

    assert progress.at_least == progress.at_most == STEPS == bench.world.drives.steps["sample"]
    head = world.pumps["sample"]
    moved_ml = world.volume_ml() - before_ml
    assert moved_ml == pytest.approx(STEPS * head.ml_per_unit * head.motion_factor, rel=1e-3)  # its density is its own


def test_a_head_that_turns_backward_draws_the_line_towards_the_tank(bench):
    world, before_ml = bench.physics.world, bench.physics.world.volume_ml()

    bench.turn("sample", Direction.REVERSE)

    assert world.volume_ml() == before_ml
    assert world.line_air_ml == pytest.approx(STEPS * world.pumps["sample"].ml_per_unit, rel=0.01)


def test_the_nodes_own_float_follows_the_liquid_and_leaves_waste_running(bench):
    world = bench.physics.world
    world.overfill_broken = True  # its wire: as if it were up
    bench.clock.sleep(0.2)
    before_ml = world.volume_ml()

    with pytest.raises(DriverError, match="stopped for its float"):
        bench.turn("sample")
    assert world.volume_ml() == before_ml
    assert bench.turn("waste").at_least == STEPS
    assert world.volume_ml() < before_ml


def test_a_world_that_may_not_look_for_a_while_does_not_find_the_service_silent(bench):
    """So a busy machine is no fault of a node, which has a processor of its own."""
    bench.permits["sample"].kick()
    bench.pumps["sample"].start(4 * STEPS)
    while bench.world.drives.steps["sample"] < 50:
        bench.scan("sample")
    with bench.world.lock:
        until_s = bench.clock.monotonic() + 0.6
        while bench.clock.monotonic() < until_s:
            bench.scan("sample")

    while (progress := bench.scan("sample")).running:
        pass
    assert progress.at_least == 4 * STEPS
