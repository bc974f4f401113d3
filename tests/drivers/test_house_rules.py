"""Every driver, ours or a stranger's, keeps the house's rules."""

from importlib.metadata import entry_points

import pytest
from pydantic import ValidationError

from saltern.ports import Driver, Probe, PumpDrive, RunPermit, Stirrer, Switch
from tests.twin_bench import TwinBench

DRIVERS = {entry.name: entry for entry in entry_points(group="saltern.drivers")}
PROTOCOLS = {"pump": PumpDrive, "permit": RunPermit, "stirrer": Stirrer, "switch": Switch, "probe": Probe}


def test_there_are_drivers():
    assert {"gpio-timed-pump", "gpio-stepper-pump", "gpio-switch", "serial-line"} <= set(DRIVERS)


@pytest.mark.parametrize("name", DRIVERS)
def test_a_driver_declares_kind_config_and_claims(name):
    driver = DRIVERS[name].load()

    assert isinstance(driver, Driver)
    assert driver.kind in PROTOCOLS
    assert driver.config.__doc__
    with pytest.raises(ValidationError, match="Extra inputs are not permitted"):
        driver.config.model_validate({"no_such_option": 1})


def test_every_device_answers_its_protocol_and_claims_what_it_uses():
    twin = TwinBench()
    devices = twin.devices
    for group, kind in (
        (devices.pumps, "pump"),
        (devices.permits, "permit"),
        (devices.probes, "probe"),
        (devices.switches, "switch"),
    ):
        for device in group.values():
            assert isinstance(device, PROTOCOLS[kind])
    assert isinstance(devices.stirrer, Stirrer)


def test_closing_a_bench_leaves_every_output_low():
    twin = TwinBench()
    twin.bench.stir(0.5)
    twin.bench.close()

    assert all(not pin.state for pin in twin.play.wires.pins.pins.values() if pin.function == "output")
    assert twin.world.stirrer == 0.0
