"""The drivers that are installed, and what those of pumps and permits state of themselves before anything is opened."""

from collections.abc import Mapping
from dataclasses import dataclass
from importlib.metadata import EntryPoint, entry_points
from typing import Any

from pydantic import ValidationError

from saltern.config.tables import BenchConfig, DeviceTable, Pump
from saltern.ports import Driver

GROUP = "saltern.drivers"


@dataclass(frozen=True)
class Rated:
    """How fast a pump turns, and how long it may after its permit was last kicked, by its drivers."""

    rate: float  # native units a second
    ml_per_unit: float
    lapse_s: float

    @property
    def ml_s(self) -> float:
        return self.rate * self.ml_per_unit

    @property
    def passes_in_lapse_ml(self) -> float:
        """What the pump may move after its permit was last kicked."""
        return self.ml_s * self.lapse_s


def installed() -> Mapping[str, EntryPoint]:
    """Return the drivers that are installed, by name; none is loaded."""
    return {entry.name: entry for entry in entry_points(group=GROUP)}


def rated(config: BenchConfig) -> dict[str, Rated]:
    """Return by role what the drivers of the pumps state, or what was measured of it; nothing is opened.

    A pump whose driver or options do not stand is left out: checking the devices says what is wrong with it.
    """
    drivers = installed()
    roles: dict[str, Pump] = {role: getattr(config.pumps, role) for role in ("sample", "waste", "titrant")}
    found = {}
    for role, pump in roles.items():
        drive, permit = _stated(drivers, pump.drive, "pump"), _stated(drivers, pump.permit, "permit")
        if drive is None or permit is None or drive[0].rate is None or permit[0].lapse_s is None:
            continue
        lapse_s = pump.lapse_s(permit[0].lapse_s(permit[1]))
        found[role] = Rated(drive[0].rate(drive[1]), pump.ml_per_unit, lapse_s)
    return found


def _stated(drivers: Mapping[str, EntryPoint], table: DeviceTable, kind: str) -> tuple[Driver, Any] | None:
    """Return a device's driver and its options, or nothing where they do not stand."""
    entry = drivers.get(table.driver)
    driver: Driver | None = None if entry is None else entry.load()
    if driver is None or driver.kind != kind:
        return None
    try:
        return driver, driver.config.model_validate(table.options())
    except ValidationError:
        return None
