"""Which libraries a bench file needs beside those that are always there, and which of them are not."""

import importlib
from importlib.metadata import entry_points

from saltern.bench.devices import validate_devices
from saltern.config.tables import BenchConfig
from saltern.ports import install_extra

MODULES = {
    "gpio": "lgpio",
    "i2c": "smbus2",
    "modbus": "pymodbus",
    "mqtt": "paho.mqtt.client",
    "metrics": "prometheus_client",
    "alerts": "apprise",
    "report": "matplotlib",
}
"""By the name of the extra that brings it."""

ELSEWHERE = {"gpio": " Where pip has none for this Python: apt install python3-lgpio, then make install."}


def extras(config: BenchConfig) -> list[str]:
    """Return the extras that this bench needs to start: for its wires, its drivers and its outlets."""
    needed = {extra for _, driver, _ in validate_devices(config) for extra in driver.extras}
    if config.wires == "gpio":
        needed.add("gpio")
    else:
        needed.discard("i2c")  # the simulated bench plays the bus itself
    for entry in entry_points(group="saltern.outlets"):
        kind = entry.load()
        if kind.extra is not None and (entry.name in config.outlets or kind.asked_by(config) is not None):
            needed.add(kind.extra)
    return [extra for extra in MODULES if extra in needed]


def missing_libraries(config: BenchConfig) -> list[str]:
    """Return, in a sentence each, what cannot be imported here; a library that is broken counts as missing."""
    found = []
    for extra in extras(config):
        try:
            importlib.import_module(MODULES[extra])
        except Exception as error:  # noqa: BLE001 - whatever it is, the service would meet it
            found.append(
                f"the bench file needs {MODULES[extra]}, and it cannot be imported here ({error}): "
                f"{install_extra(extra)}.{ELSEWHERE.get(extra, '')}"
            )
    return found
