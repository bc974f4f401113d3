"""What a safety refusal is reckoned with is part of every driver of a pump or a permit, and true."""

from importlib.metadata import entry_points
from math import isfinite

import pytest
from pydantic import BaseModel

from saltern.bench.devices import validate_devices
from saltern.bench.drivers import rated
from saltern.config.loading import load_bench, shipped_config
from saltern.ports import Driver, MisuseError, PumpDrive
from tests.drivers.test_house_rules import NAMES, drivers, examples, page_of, tables, with_the_example
from tests.twin_bench import TwinBench

__all__ = ["with_the_example"]  # the example package is installed beside ours

BENCHES = ["bench-simulated.toml", "bench-header.toml", "bench-node.toml", "bench-serial.toml"]


@pytest.mark.parametrize("name", NAMES)
def test_every_driver_of_a_pump_or_a_permit_states_what_it_may_pass_by_its_options_alone(name):
    entry = drivers()[name]
    driver, page = entry.load(), page_of(entry)
    stated = {"pump": driver.rate, "permit": driver.lapse_s}.get(driver.kind)

    assert (driver.rate is not None) is (driver.kind == "pump")
    assert (driver.lapse_s is not None) is (driver.kind == "permit")
    for table in tables(examples(page)) if stated is not None else ():
        if table["driver"] == name:
            value = stated(
                driver.config.model_validate({key: value for key, value in table.items() if key != "driver"})
            )
            assert isfinite(value)
            assert value > 0.0


class NoOptions(BaseModel):
    pass


@pytest.mark.parametrize(
    ("kind", "states", "names"),
    [("pump", {}, "rate"), ("permit", {}, "lapse_s"), ("switch", {"rate": lambda config: 1.0}, "rate")],
)
def test_a_driver_that_states_nothing_or_too_much_is_refused_where_it_is_written(kind, states, names):
    with pytest.raises(MisuseError, match=names):
        Driver(kind=kind, config=NoOptions, claims=lambda config: [], open=lambda config, wires: None, **states)


def test_an_opened_pump_turns_at_the_rate_that_its_driver_stated():
    twin = TwinBench()
    stated = rated(twin.config)

    assert set(stated) == {"sample", "waste", "titrant"}
    for role, drive in twin.devices.pumps.items():
        assert isinstance(drive, PumpDrive)
        assert drive.rate == stated[role].rate
        assert twin.devices.permits[role].lapse_s == stated[role].lapse_s


@pytest.mark.parametrize("name", BENCHES)
def test_the_pumps_of_every_example_bench_are_rated(name):
    config = load_bench(shipped_config(name))

    assert validate_devices(config)
    assert set(rated(config)) == {"sample", "waste", "titrant"}


def test_there_is_more_than_one_driver_of_each():
    kinds = [entry.load().kind for entry in entry_points(group="saltern.drivers")]

    assert kinds.count("pump") >= 4
    assert kinds.count("permit") >= 2
