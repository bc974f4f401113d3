"""Opening the devices of a bench: all are checked, then all opened, and every failure comes in one tree."""

from collections.abc import Iterable, Mapping
from contextlib import ExitStack, suppress
from dataclasses import dataclass, field
from typing import Any, Protocol

from pydantic import BaseModel, ValidationError

from saltern.bench.drivers import installed
from saltern.bench.hydraulics import refusals
from saltern.bench.valve import ValvedPermit
from saltern.config.loading import config_mistakes
from saltern.config.tables import BenchConfig, DeviceTable
from saltern.errors import ConfigError, SalternError, StartupError
from saltern.ports import Driver, Probe, PumpDrive, Reconnecting, RunPermit, Selector, Stirrer, Switch, Wires

LAST_PULLED_HIGH = 8
"""GPIO 0 to 8 have their pull-ups on at reset, 9 to 27 their pull-downs (BCM2835 ARM Peripherals, table 6-31)."""


class Closable(Protocol):
    def close(self) -> None: ...


@dataclass(frozen=True)
class Devices:
    """Open devices by role."""

    pumps: Mapping[str, PumpDrive]
    permits: Mapping[str, RunPermit]
    stirrer: Stirrer
    probes: Mapping[str, Probe]
    switches: Mapping[str, Switch]
    inputs: Mapping[str, Switch] = field(default_factory=dict)
    selectors: Mapping[str, Selector] = field(default_factory=dict)

    def reconnecting(self) -> dict[str, Reconnecting]:
        """Return the devices behind ports that may go and come back, by their places in the bench file."""
        places: dict[str, Any] = {"stirrer.drive": self.stirrer}
        places |= {f"pumps.{role}.drive": drive for role, drive in self.pumps.items()}
        for role, permit in self.permits.items():
            places[f"pumps.{role}.permit"] = permit
            if isinstance(permit, ValvedPermit):
                places |= {f"pumps.{role}.permit": permit.permit, f"pumps.{role}.valve": permit.valve}
        places |= {probe_place(role): probe for role, probe in self.probes.items()}
        return {place: device for place, device in places.items() if isinstance(device, Reconnecting)}

    def close(self) -> None:
        """Close every device; one that fails keeps no other open."""
        groups = (self.pumps, self.permits, self.probes, self.switches, self.inputs, self.selectors)
        close_all([self.stirrer, *(device for group in groups for device in group.values())])


def probe_place(role: str) -> str:
    """Return where a probe stands in the bench file."""
    return "stirrer.sensor.board" if role == "stirrer" else f"probes.{role}.board"


def close_all(devices: Iterable[Closable]) -> None:
    """Close all, and then raise what the first that failed had to say."""
    with ExitStack() as each:
        for device in devices:
            each.callback(device.close)


@dataclass(frozen=True)
class _Slot:
    """A place in the bench file where a device is named."""

    where: str
    role: str
    kind: str
    table: DeviceTable


def validate_devices(config: BenchConfig) -> list[tuple[str, Driver, BaseModel]]:
    """Check every device table against its driver, and that nothing is claimed twice; open nothing.

    Raises
    ------
    StartupError
        With all mistakes.
    """
    checked, mistakes = _check(config)
    if mistakes:
        raise StartupError(config.name, mistakes)
    return [(slot.where, driver, options) for slot, driver, options in checked]


def open_devices(config: BenchConfig, wires: Wires) -> Devices:
    """Check all devices, then open all.

    Raises
    ------
    StartupError
        With every mistake and every device that would not open; what was opened is closed again.
    """
    checked, mistakes = _check(config)
    if mistakes:
        raise StartupError(config.name, mistakes)
    opened: dict[tuple[str, str], Any] = {}
    for slot, driver, options in checked:
        try:
            opened[slot.kind, slot.role] = driver.open(options, wires)
        except SalternError as error:
            mistakes.append(error)
        except Exception as error:  # noqa: BLE001 - a library's error becomes ours, in the tree
            mistakes.append(
                ConfigError(f"cannot be opened ({error})", where=slot.where, remedy="Check wiring and configuration")
            )
    if mistakes:
        with suppress(SalternError, OSError):  # what is wrong is reported below
            close_all(opened.values())
        raise StartupError(config.name, mistakes)

    def of(kind: str) -> dict[str, Any]:
        return {role: device for (its_kind, role), device in opened.items() if its_kind == kind}

    switches = of("switch")
    inputs = {name: switches.pop(f"inputs.{name}") for name in config.inputs}
    permits = of("permit")
    for role in of("pump"):
        valve = permits.pop(f"{role} valve", None)
        if valve is not None:
            permits[role] = ValvedPermit(permits[role], valve)
    return Devices(of("pump"), permits, opened["stirrer", "stirrer"], of("probe"), switches, inputs, of("selector"))


def _slots(config: BenchConfig) -> list[_Slot]:
    pumps = (("sample", config.pumps.sample), ("waste", config.pumps.waste), ("titrant", config.pumps.titrant))
    slots = [  # valves first: safe-off takes outputs low in this order
        _Slot(f"pumps.{role}.valve", f"{role} valve", "permit", pump.valve)
        for role, pump in pumps
        if pump.valve is not None
    ]
    slots.append(_Slot("stirrer.drive", "stirrer", "stirrer", config.stirrer.drive))
    for role, pump in pumps:
        slots.append(_Slot(f"pumps.{role}.drive", role, "pump", pump.drive))
        slots.append(_Slot(f"pumps.{role}.permit", role, "permit", pump.permit))
    probes = (
        ("ph", config.probes.ph),
        ("conductivity", config.probes.conductivity),
        ("temperature", config.probes.temperature),
    )
    slots += [_Slot(f"probes.{role}.board", role, "probe", probe.board) for role, probe in probes]
    if config.probes.balance is not None:
        slots.append(_Slot("probes.balance.board", "balance", "probe", config.probes.balance.board))
    if config.stirrer.sensor is not None:
        slots.append(_Slot("stirrer.sensor.board", "stirrer", "probe", config.stirrer.sensor.board))
    if config.reference is not None:
        slots.append(_Slot("reference.selector", "reference", "selector", config.reference.selector))
    if config.sample.draw_down is not None:
        slots.append(_Slot("sample.draw_down.selector", "draw_down", "selector", config.sample.draw_down.selector))
    for role in ("overfill", "leak", "stop", "waste_full"):
        table = getattr(config.switches, role)
        if table is not None:
            slots.append(_Slot(f"switches.{role}", role, "switch", table))
    slots += [_Slot(f"inputs.{name}", f"inputs.{name}", "switch", table) for name, table in config.inputs.items()]
    return slots


def _check(config: BenchConfig) -> tuple[list[tuple[_Slot, Driver, BaseModel]], list[SalternError]]:
    drivers = installed()
    checked: list[tuple[_Slot, Driver, BaseModel]] = []
    mistakes: list[SalternError] = [*refusals(config)]
    claimed: dict[str, str] = {}
    for slot in _slots(config):
        entry = drivers.get(slot.table.driver)
        if entry is None:
            mistakes.append(
                ConfigError(
                    f"there is no driver {slot.table.driver!r}",
                    where=f"{config.name}, {slot.where}",
                    remedy=f"Choose one of {', '.join(sorted(drivers))}",
                )
            )
            continue
        driver: Driver = entry.load()
        if driver.kind != slot.kind:
            mistakes.append(
                ConfigError(
                    f"the driver {slot.table.driver!r} is for a {driver.kind}, and this is a {slot.kind}",
                    where=f"{config.name}, {slot.where}",
                    remedy="Name another driver",
                )
            )
            continue
        try:
            options = driver.config.model_validate(slot.table.options())
        except ValidationError as error:
            mistakes += config_mistakes(error, f"{config.name}, {slot.where}")
            continue
        high = [line for line in driver.outputs(options) if line <= LAST_PULLED_HIGH]
        if high:
            mistakes.append(
                ConfigError(
                    f"GPIO {', '.join(map(str, high))} is pulled high from reset until the service starts",
                    where=f"{config.name}, {slot.where}",
                    remedy=f"Put a {slot.kind} on GPIO {LAST_PULLED_HIGH + 1} to 27",
                )
            )
        for claim in driver.claims(options):
            if claim in claimed:
                mistakes.append(
                    ConfigError(
                        f"{claim} is used twice: by {claimed[claim]} and by {slot.where}",
                        where=config.name,
                        remedy="Give each device its own pin or port",
                    )
                )
            claimed.setdefault(claim, slot.where)
        checked.append((slot, driver, options))
    return checked, mistakes + _pins_of_buses(config, checked, claimed)


def _pins_of_buses(
    config: BenchConfig, checked: list[tuple[_Slot, Driver, BaseModel]], claimed: Mapping[str, str]
) -> list[SalternError]:
    """Return a mistake for each device on a pin of a bus that another device hangs on."""
    buses = {pin: bus for _, driver, options in checked for pin, bus in driver.buses(options).items()}
    return [
        ConfigError(
            f"GPIO {pin} belongs to {bus}, and {claimed[f'gpio:{pin}']} is wired to it",
            where=config.name,
            remedy="Give that device another pin",
        )
        for pin, bus in sorted(buses.items())
        if f"gpio:{pin}" in claimed
    ]
