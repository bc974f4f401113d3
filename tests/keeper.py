"""A keeper at the simulated bench: does with its hands what a guided procedure asks, and reads scale and thermometer.

What stands in beakers and bottles is known here from other sources than the service's own: buffers by a table of two
temperatures, conductivity by gsw itself, masses in air by the textbook's buoyancy.
"""

from dataclasses import dataclass, field
from pathlib import Path

import gsw
import numpy as np

from saltern.cli.logs import quiet_logs
from saltern.cli.simulation import Stage, bench_of
from saltern.running import guided
from saltern_drivers.twin.beaker import Beaker
from saltern_drivers.twin.density import seawater_g_ml
from saltern_drivers.twin.scenario import Scenario
from saltern_drivers.twin.tank import Tank

BUFFERS_20_25_30 = {  # Bates 1962: pH at 20, 25 and 30 degC
    "phosphate": (6.881, 6.865, 6.853),
    "phthalate": (4.001, 4.005, 4.011),
    "borax": (9.225, 9.180, 9.139),
}
WATER_G_ML = 0.9973  # at 24 degC
TITRANT_G_ML = 1.0245  # 0.05 mol/L HCl in 0.7 mol/kg NaCl


def tris_free(t):
    """Return pH, free scale, of equimolal tris in artificial seawater of S 35.

    DelValls & Dickson 1998: 8.0936 at 25 degC on the total scale, falling by 0.0309 a kelvin near there (from memory);
    the free scale lies 0.108 above it at S 35.
    """
    return 8.0936 - 0.0309 * (t - 25.0) + 0.108


def in_air(ml, density_g_ml):
    """Return what a scale shows of a volume: weights of 8.0 g/mL, air of 0.0012."""
    return ml * density_g_ml * (1.0 - 0.0012 / density_g_ml) / (1.0 - 0.0012 / 8.0)


@dataclass
class Keeper:
    """Answers as the twin is. `mistakes` swaps what is done for a key; `interrupt` may end the process at one."""

    stage: Stage
    seed: int = 1
    reference: Tank | None = None
    bottles: dict = field(default_factory=dict)
    mistakes: dict = field(default_factory=dict)
    scale_g: float = 0.01
    said: list = field(default_factory=list)
    asked: list = field(default_factory=list)
    at_key: object = None

    def __post_init__(self):
        self.random = np.random.default_rng(self.seed)

    @property
    def world(self):
        return self.stage.play.world

    @property
    def service(self):
        return self.stage.computer.service

    def run(self, name, **options):
        """Run a guided procedure to its end."""
        return guided.run(self.service, name, guided.options_of(name, options), self, "the keeper")

    def say(self, text):
        self.said.append(text)

    def see(self, what, value, unit):
        pass

    def confirm(self, key, text):
        self.asked.append(key)
        assert text
        self.service.bench.wait(20.0)
        if self.at_key is not None:
            self.at_key(key)
        self._do(self.mistakes.get(key, key))
        self.stage.play.wires.pins.refresh_inputs()
        self.service.bench.wait(5.0)

    def number(self, key, text, unit, low, high):
        self.asked.append(key)
        self.service.bench.wait(10.0)
        value = self._read(key)
        assert low <= value <= high, (key, value)
        return value

    def _do(self, key):
        world, (what, *of) = self.world, key.split(" ", 1)
        if what.endswith("-line-out"):
            world.collecting[what.removesuffix("-line-out")] = 0.0
        elif what.endswith("-line-back"):
            world.collecting.clear()
        elif what == "tare":
            world.collecting.update(dict.fromkeys(world.collecting, 0.0))
        elif key == "probes-in tris":
            offset = self.mistakes.get("tris", 0.0)
            world.beaker = self._beaker(ph_free=lambda t: tris_free(t) + offset)
        elif what in ("inlet-in-high", "inlet-in-low"):
            world.source = self.bottles[what]
        elif what == "probes-in":
            world.beaker = self._beaker(ph_nbs=self._buffer(of[0]))
        elif what == "cell-in":
            salinity = float(of[0])
            world.beaker = self._beaker(conductivity_ms_cm=lambda t: float(gsw.C_from_SP(salinity, t, 0.0)))
            world.beaker.bubble = self.mistakes.get("bubble", 1.0)
            world.beaker.bubble_rattles = self.mistakes.get("rattles", 0.0)
        elif what == "thermometer-beside":
            world.beaker = self._beaker()
        elif what in ("probes-back", "cell-back", "thermometer-away"):
            world.beaker = None
        elif what == "inlet-in-reference":
            world.source = self.reference
        elif what in ("inlet-back", "inlets-back"):
            world.source = None
        elif what == "bottle-changed":
            world.bottle_ml = 1000.0
            world.titrant_factor = self.mistakes.get("strength", 1.0)
        elif what.endswith("-inlet-in-water"):
            world.source = Tank(alkalinity_umol_kg=50.0, salinity=2.0)
        elif what in ("probes-in-storage", "tubes-released", "tubes-in", "probes-in-vessel", "inlet-in-bucket"):
            pass
        elif what == "spiked":
            world.tank.alkalinity_umol_kg += self.mistakes.get("added", 300.0)
        else:
            raise AssertionError(f"a keeper would not know what to do: {key}")
        world._dirty = True

    def _beaker(self, **liquid):
        beaker = Beaker(at_s=self.world.at_s, **liquid)
        beaker.temperature_c = self.mistakes.get("beaker_c", 24.0)
        beaker.probe_c = 24.0
        return beaker

    def _buffer(self, name):
        name = self.mistakes.get(f"bottle {name}", name)
        return lambda t: float(np.interp(t, (20.0, 25.0, 30.0), BUFFERS_20_25_30[name]))

    def _read(self, key):
        world = self.world
        if key == "collected":
            ((pump, ml),) = world.collecting.items()
            water = world.source or world.tank
            shown = in_air(ml, seawater_g_ml(water.salinity, 24.0) if pump == "sample" else TITRANT_G_ML)
            return max(0.0, round(shown + self.random.normal(0.0, 0.006), 2)) + self.mistakes.get("spilled", 0.0)
        if key == "liquid-temperature":
            return 24.0 + self.random.normal(0.0, 0.3)
        if key == "thermometer":
            return round(world.beaker.temperature_c + self.random.normal(0.0, 0.1), 1) + self.mistakes.get("off", 0.0)
        raise AssertionError(f"a keeper would not know what to read: {key}")


def keeper(seed=5, folder=Path(), records=":memory:", scenario=None, bench=None, **known):
    """Return a keeper at a bench whose service has just started."""
    quiet_logs()
    table = {"seed": seed, "days": 1.0, **(scenario or {})}
    played = Scenario.model_validate(table)
    stage = Stage(played, bench if bench is not None else bench_of(played, folder), records)
    return Keeper(stage, seed=seed, **known)
