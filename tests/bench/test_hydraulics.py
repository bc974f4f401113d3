"""What could run by itself is refused before anything is opened."""

import sys
from importlib.metadata import EntryPoint

import pytest
from pydantic import BaseModel, ConfigDict

from saltern.bench import drivers
from saltern.bench.devices import validate_devices
from saltern.bench.hydraulics import changed_since, refusals, siphoned_into_the_bottle_ml
from saltern.config.loading import bench_from, load_bench, shipped_config
from saltern.errors import StartupError
from saltern.ports import Driver
from saltern.procedures.arithmetic import warnings
from tests.twin_bench import bench_table

VALVE = {"driver": "gpio-run-permit", "pin": 9}


def config(changes):
    return bench_from(bench_table(changes), where="test")


@pytest.mark.parametrize(
    ("changes", "where"),
    [
        ({"pumps.sample.line.outlet_mm": 70.0}, "pumps.sample.line.outlet_mm"),
        ({"pumps.sample.line.inlet_mm": 400.0, "sample.air_break_ml": 0.0}, "pumps.sample.line.inlet_mm"),
        ({"pumps.titrant.line.inlet_mm": 300.0}, "pumps.titrant.line.inlet_mm"),
        ({"pumps.titrant.line.inlet_mm": 50.0}, "pumps.titrant.line.inlet_mm"),
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


@pytest.mark.parametrize("inlet_mm", [75.1, 150.0, 400.0])
def test_a_tank_above_the_spout_is_refused_whatever_slug_of_air_is_drawn_into_its_line(inlet_mm):
    """A head that leaks lets the tank push the air on: 241 mL went over the spout so, on a bench that was accepted."""
    (refused,) = refusals(config({"pumps.sample.line.inlet_mm": inlet_mm, "sample.air_break_ml": 1.0}))

    assert refused.where.endswith("pumps.sample.line.inlet_mm")
    assert "gravity" in refused.what
    assert "pumps.sample.valve" in refused.remedy
    assert "vented_break_mm" in refused.remedy


def test_what_stops_water_makes_a_danger_none():
    above = {"pumps.sample.line.inlet_mm": 400.0}

    assert refusals(config({**above, "pumps.sample.line.vented_break_mm": 420.0})) == []
    assert refusals(config({**above, "pumps.sample.valve": VALVE})) == []
    assert refusals(config({"pumps.titrant.line.inlet_mm": 50.0, "pumps.titrant.valve": VALVE})) == []
    assert refusals(config({"pumps.waste.line.outlet_mm": -800.0, "waste.siphon_broken": True})) == []


def test_a_break_that_the_source_stands_over_is_none():
    (refused,) = refusals(config({"pumps.sample.line.inlet_mm": 400.0, "pumps.sample.line.vented_break_mm": 400.0}))

    assert refused.where.endswith("pumps.sample.line.inlet_mm")


def test_a_bench_that_was_accepted_before_is_told_why_and_the_ways_out():
    ((where, accepted_before, wrong, ways_out),) = changed_since(config({"pumps.sample.line.inlet_mm": 150.0}))

    assert where == "pumps.sample.line.inlet_mm"
    assert "air" in accepted_before
    assert "gravity" in wrong
    assert "[pumps.sample.valve]" in ways_out
    assert changed_since(config({})) == []
    assert changed_since(config({"pumps.waste.line.outlet_mm": -800.0})) == []  # refused before as well


def test_a_tip_that_always_dips_with_a_low_bottle_is_a_siphon_the_other_way_and_is_told_of():
    """The vessel's water runs back through a worn titrant head: what stands above the tip between two runs."""
    small = {"titrant.bottle_ml": 500.0}
    assert siphoned_into_the_bottle_ml(config(small)) == pytest.approx(60.0 + 1.5 - 20.0 * 2.7)

    assert any("siphon into the acid" in warning for warning in warnings(config(small)))
    for way_out in ({"sample.keep_wet_ml": 52.0}, {"pumps.titrant.valve": VALVE}):
        assert siphoned_into_the_bottle_ml(config({**small, **way_out})) == 0.0
        assert not any("siphon into the acid" in warning for warning in warnings(config({**small, **way_out})))


# A stranger's driver -----------------------------------------------------------------


class Quick(BaseModel):
    """A pump whose rate has a name of its own."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    pulses_hz: float


FAST = Driver(
    kind="pump",
    config=Quick,
    claims=lambda config: [],
    open=lambda config, wires: None,
    rate=lambda config: config.pulses_hz,
)


def test_a_pump_a_hundred_times_faster_is_refused_whatever_its_option_is_called(monkeypatch):
    """Its option is not called steps_per_s, and what it passes in its permit's lapse was reckoned at 1 a second."""
    found = {**drivers.installed(), "quick": EntryPoint("quick", f"{__name__}:FAST", drivers.GROUP)}
    monkeypatch.setattr(drivers, "installed", lambda: found)
    monkeypatch.setattr("saltern.bench.devices.installed", lambda: found)
    assert sys.modules[__name__].FAST is FAST
    usual = bench_table()["pumps"]["sample"]["drive"]["steps_per_s"]

    assert refusals(config({"pumps.sample.drive": {"driver": "quick", "pulses_hz": usual}})) == []
    (refused,) = refusals(config({"pumps.sample.drive": {"driver": "quick", "pulses_hz": 100.0 * usual}}))

    assert refused.where.endswith("pumps.sample")
    assert "while its permit lapses" in refused.what


@pytest.mark.parametrize("name", ["bench-simulated.toml", "bench-simulated-hobby.toml", "bench-of-many.toml"])
def test_the_example_benches_are_safe(name):
    assert refusals(load_bench(shipped_config(name))) == []
