"""Bench files for the machine, made from the examples in config/: what hangs there, and nothing else, is changed.

The processor is emulated, so steps are eight times as large and as slow (333 a second): flows are the same; a motor
follows a later pulse (`microsteps`), and permits lapse later, for scans come later. USB boards are called as this
kernel calls them.
"""

import tomllib
from pathlib import Path
from typing import Any

from saltern.config.loading import bench_from

CONFIG = Path(__file__).parents[3] / "config"
SLOWER, MICROSTEPS, LAPSE_S = 8, 32, 1.0
BY_ID = "/dev/serial/by-id/usb-bench_board_{}-if00"
WHEN_SAID = {"every_h": 4.0, "conditions": ["bench-ready"]}
"""Nothing by itself until somebody says so: scenarios ask."""

Table = dict[str, Any]


def examples() -> list[str]:
    return sorted(path.name for path in CONFIG.glob("*.toml"))


def example(name: str) -> Table:
    """Return an example as a builder would copy it: ports and folders are the machine's, all else as it is."""
    with (CONFIG / name).open("rb") as file:
        table = tomllib.load(file)
    for role, probe in table["probes"].items():
        if "port" in (board := probe["board"]) and table["wires"] == "gpio":
            board["port"] = BY_ID.format(role)
    for part in (
        *(pump[key] for pump in table["pumps"].values() for key in ("drive", "permit")),
        table["stirrer"]["drive"],
    ):
        if "port" in part:
            part["port"] = BY_ID.format("node")
    for place, setting in (("records", "path"), ("service", "socket")):  # as the example for an installed bench has it
        table.get(place, {}).pop(setting, None)
        table[place] = {**table.get(place, {}), **_installed().get(place, {})}
    table.pop("outlets", None)  # no broker, collector or telephone hangs on this machine
    for file in ("urls_file", "watcher_url_file"):
        table.get("alerts", {}).pop(file, None)
    return table


def _installed() -> Table:
    with (CONFIG / "bench-header.toml").open("rb") as file:
        return tomllib.load(file)


def serial_bench() -> Table:
    """Return the bench that measures here: serial boards on USB, steppers and a DC pump on the header."""
    name = "bench-serial.toml" if (CONFIG / "bench-serial.toml").exists() else "bench-simulated.toml"
    table = example(name)
    table["wires"] = "gpio"
    for role in ("ph", "conductivity", "temperature"):
        table["probes"][role]["board"]["port"] = BY_ID.format(role)
    for pump in table["pumps"].values():
        pump["permit"]["lapse_s"] = LAPSE_S
        if "step_pin" in (drive := pump["drive"]):
            pump["ml_per_unit"] *= SLOWER
            drive["steps_per_s"] //= SLOWER
            drive["microsteps"] = MICROSTEPS
            drive["start_steps_per_s"] = 50
            drive["acceleration_steps_per_s2"] = 1250
    for pin, switch in zip(
        (4, 5, 6, 7), table["switches"].values(), strict=True
    ):  # outputs of a second bench need theirs
        switch["pin"] = pin
    table["schedule"] = WHEN_SAID
    return table


def filled(table: Table) -> Table:
    """Return the table with every default in place, as the service reads it."""
    return bench_from(table, where="machine").model_dump(mode="json")


def outputs(table: Table) -> list[int]:
    """Return the header's output lines of a bench, whoever drives them."""
    if table["wires"] != "gpio":
        return []
    parts = [part for pump in table["pumps"].values() for part in (pump["drive"], pump["permit"])]
    parts.append(table["stirrer"]["drive"])
    pins = ("pin", "step_pin", "direction_pin", "enable_pin")
    return sorted(
        {part[pin] for part in parts if part and str(part["driver"]).startswith("gpio") for pin in pins if pin in part}
    )
