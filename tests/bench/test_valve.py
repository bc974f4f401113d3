"""A normally closed valve in a pump's line is open while its pump is permitted, and closes first."""

from saltern.bench.devices import validate_devices
from saltern.bench.valve import ValvedPermit
from tests.twin_bench import TwinBench

PIN = 9
VALVED = {
    "pumps.sample.line.inlet_mm": 150.0,
    "pumps.sample.valve": {"driver": "gpio-run-permit", "pin": PIN},
}


class Told:
    """A permit that tells a list what it is told."""

    lapse_s = 0.5

    def __init__(self, name, heard):
        self.name, self.heard = name, heard

    def kick(self):
        self.heard.append(f"{self.name} kicked")

    def drop(self):
        self.heard.append(f"{self.name} dropped")

    def close(self):
        self.heard.append(f"{self.name} closed")


def test_it_closes_before_its_pump_stops_and_neither_keeps_the_other():
    heard = []
    both = ValvedPermit(Told("pump", heard), Told("valve", heard))
    both.kick()
    both.drop()
    both.close()

    assert heard == ["pump kicked", "valve kicked", "valve dropped", "pump dropped", "valve closed", "pump closed"]


def test_safe_off_takes_it_low_first_and_its_pin_is_claimed():
    twin = TwinBench(true=VALVED)
    lines = [line for _, driver, options in validate_devices(twin.config) for line in driver.outputs(options)]

    assert lines[0] == PIN
    assert lines.count(PIN) == 1


def test_a_tank_above_the_spout_runs_in_through_a_worn_head_only_while_its_pump_is_permitted():
    twin = TwinBench(true=VALVED)
    assert twin.bench.drain().proved
    twin.world.head_leaks_ml_s["sample"] = 0.5
    before_ml = twin.world.volume_ml()
    for _ in range(60):
        twin.bench.idle(5.0)
    assert twin.world.volume_ml() <= before_ml + 0.05

    with twin.bench.stage("fill", sample_ml=40.0):
        twin.bench.add("sample", 20.0)
    twin.bench.wait(1.0)
    after_ml = twin.world.volume_ml()
    assert after_ml > before_ml + 20.0  # what leaked while the pump turned came in as well
    for _ in range(60):
        twin.bench.idle(5.0)
    assert twin.world.volume_ml() <= after_ml + 0.05


def test_its_pin_is_driven_with_the_pumps_permit_and_with_no_other():
    twin = TwinBench(true=VALVED)
    driven = []
    twin.play.wires.pins._outputs[PIN] = lambda value: driven.append((twin.clock.monotonic(), value))
    assert twin.bench.drain().proved
    assert [at_s for at_s, value in driven if value] == []
    with twin.bench.stage("fill", sample_ml=20.0):
        begun_s = twin.clock.monotonic()
        twin.bench.add("sample", 20.0)
        ended_s = twin.clock.monotonic()
    twin.bench.make_safe()
    raised = [at_s for at_s, value in driven if value]

    assert raised
    assert all(begun_s <= at_s <= ended_s for at_s in raised)
    assert driven[-1][1] == 0.0
