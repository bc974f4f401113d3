"""What could run by itself is refused before anything is opened."""

import pytest

from saltern.bench.devices import validate_devices
from saltern.bench.hydraulics import refusals
from saltern.config.loading import bench_from, load_bench, shipped_config
from saltern.errors import StartupError
from tests.twin_bench import bench_table


def config(changes):
    return bench_from(bench_table(changes), where="test")


@pytest.mark.parametrize(
    ("changes", "where"),
    [
        ({"pumps.sample.line.outlet_mm": 70.0}, "pumps.sample.line.outlet_mm"),
        ({"pumps.sample.line.inlet_mm": 400.0, "sample.air_break_ml": 0.0}, "pumps.sample.line.inlet_mm"),
        ({"pumps.titrant.line.inlet_mm": 300.0}, "pumps.titrant.line.inlet_mm"),
        ({"pumps.waste.line.outlet_mm": -800.0}, "pumps.waste.line.outlet_mm"),
        ({"vessel.overfill_switch_mm": 74.9}, "pumps.sample"),
    ],
)
def test_each_danger_is_refused_by_its_place(changes, where):
    (refused,) = refusals(config(changes))

    assert refused.where.endswith(where)
    assert refused.remedy
    with pytest.raises(StartupError):
        validate_devices(config(changes))


def test_a_break_makes_a_danger_none():
    assert refusals(config({"pumps.sample.line.inlet_mm": 400.0})) == []
    assert refusals(config({"pumps.waste.line.outlet_mm": -800.0, "waste.siphon_broken": True})) == []


@pytest.mark.parametrize("name", ["bench-simulated.toml", "bench-simulated-hobby.toml", "bench-of-many.toml"])
def test_the_example_benches_are_safe(name):
    assert refusals(load_bench(shipped_config(name))) == []
