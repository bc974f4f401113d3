"""A bench on the twin, with its truth at hand, for tests that run whole procedures."""

import tomllib
from dataclasses import dataclass, field

from saltern.bench.bench import Bench
from saltern.bench.devices import open_devices
from saltern.clock import VirtualClock
from saltern.config.loading import bench_from, shipped_config
from saltern.model.determination import Source
from saltern.procedures.determination import Expectation, determine
from saltern_drivers.twin.instruments import CLASSES
from saltern_drivers.twin.scenario import Play, Scenario
from saltern_drivers.twin.truth_table import stated


@dataclass
class MemoryStore:
    """Keeps ledger and latches in memory, and every ledger's reason."""

    ledger: object = None
    latches: list = field(default_factory=list)
    reasons: list = field(default_factory=list)
    on_commit: object = None
    states: dict = field(default_factory=lambda: {"commissioned": {"at_utc": None, "who": "a test", "why": "a twin"}})

    def load_ledger(self):
        return self.ledger

    def commit_ledger(self, ledger, reason):
        if self.on_commit is not None:
            self.on_commit()
        self.ledger = ledger
        self.reasons.append(reason)

    def load_state(self, name):
        return self.states.get(name)

    def load_latches(self):
        return list(self.latches)

    def set_latch(self, name):
        self.latches.append(name)

    def clear_latch(self, name, operator):
        self.latches.remove(name)


def bench_table(changes=None, name="bench-simulated.toml"):
    """Return an example bench as a table, with keys like "vessel.residue_ml" changed."""
    table = tomllib.loads(shipped_config(name).read_text())
    for key, value in (changes or {}).items():
        *path, last = key.split(".")
        inner = table
        for part in path:
            inner = inner[part]
        inner[last] = value
    return table


class TwinBench:
    """A twin, and a service-side bench on it that may believe other things than are true."""

    def __init__(self, true=None, stated=None, store=None, bench="bench-simulated.toml", **scenario):
        config = bench_from(bench_table(true, bench), where="true")
        self.config = bench_from(bench_table({**(true or {}), **(stated or {})}, bench), where="believed")
        self.clock = VirtualClock()
        self.play = Play(Scenario.model_validate({"seed": 5, "days": 1.0, **scenario}), config.model_dump(), self.clock)
        self.world = self.play.world
        self.store = store if store is not None else MemoryStore()
        self.devices = open_devices(self.config, self.play.wires)
        self.clock.sleep(0.2)
        self.bench = Bench(self.config, self.devices, self.clock, self.store)
        self.play.ledger_upper_ml = lambda: self.bench.vessel_most_ml
        self.steps = []

    def happens(self, attribute, value=True):
        """Let something happen to the world now; switches show it at once."""
        setattr(self.world, attribute, value)
        self.play.wires.pins.refresh_inputs()

    def determine(self, expectation=None):
        return determine(self.bench, Source.TANK, expectation or Expectation(), self.steps.append)

    def error(self, determination):
        return determination.alkalinity.value - self.play.tank_alkalinity(determination.ph_read_s)


def as_filed(config, instruments="good", **changes):
    """Return a scenario's [twin] whose truths are the bench file's, but for `changes`: for a test of something else."""
    truth = stated(config.model_dump(), CLASSES[instruments])
    del truth["tank_volume_l"]  # which the scenario states, and not the bench file
    return {"instruments": instruments, "truth": {**truth, **changes}}
