"""A bench file as a builder reads it: which device is where, and which lines of the header it takes."""

import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROLES = ("sample", "waste", "titrant")
I2C_LINES = {"SDA": 2, "SCL": 3}
ONE_WIRE_LINE = 4


@dataclass(frozen=True)
class Device:
    """A device of the bench file: its place there ("pumps.sample.drive"), its driver, its options."""

    place: str
    driver: str
    options: dict[str, Any]


@dataclass(frozen=True)
class Bench:
    """A bench file: what a builder calls it, and its tables."""

    title: str
    table: dict[str, Any]

    def devices(self) -> list[Device]:
        return list(_devices(self.table, ""))

    def device(self, place: str) -> Device | None:
        return next((device for device in self.devices() if device.place == place), None)

    def uses(self, *drivers: str) -> bool:
        return any(device.driver in drivers for device in self.devices())


def read(path: Path) -> Bench:
    """Return a bench file; its name names the example, "bench-serial.toml" is "serial"."""
    return Bench(path.stem.removeprefix("bench-"), tomllib.loads(path.read_text(encoding="utf-8")))


def header_lines(bench: Bench) -> dict[int, str]:
    """Return what hangs on each line of the header, by its GPIO number."""
    found: dict[int, str] = {}
    for device in bench.devices():
        for option, value in device.options.items():
            if option == "pin" or option.endswith("_pin"):
                found[value] = _said(device.place, option.removesuffix("pin").rstrip("_"))
        if device.driver.startswith("i2c-"):
            found.update({line: f"I2C {name}" for name, line in I2C_LINES.items()})
        if device.driver.startswith("w1-"):
            found[ONE_WIRE_LINE] = "1-wire temperature probe"
    return found


def _said(place: str, option: str) -> str:
    """Return a line's name: "sample pump, step", "overfill input"."""
    kind, *names = place.split(".")
    if kind == "pumps":
        role, what = names
        return f"{role} pump, {option or what}"
    if kind == "switches":
        return f"{names[0].replace('_', ' ')} input"
    if kind == "stirrer":
        return f"stirrer, {option or names[0]}"
    return " ".join([*names, option]).strip()


def _devices(table: dict[str, Any], place: str) -> Iterator[Device]:
    for name, value in table.items():
        if not isinstance(value, dict):
            continue
        inner = f"{place}.{name}" if place else name
        if "driver" in value:
            yield Device(inner, value["driver"], {k: v for k, v in value.items() if k != "driver"})
        else:
            yield from _devices(value, inner)
