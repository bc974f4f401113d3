"""The parts of one bench: hardware/parts.csv, each line as often as this bench has what it is counted by."""

import csv
from dataclasses import dataclass
from pathlib import Path

from hardware.bench_book.bench import ROLES, Bench
from hardware.bench_book.wiring import has_node, is_stepper, one_shots

TABLE = Path(__file__).parents[1] / "parts.csv"


@dataclass(frozen=True)
class Item:
    """A line of a bench's list; prices are for one, rough and from memory."""

    part: str
    used_for: str
    matters: str
    count: int
    eur: tuple[float, float]
    note: str


def counted(bench: Bench) -> dict[str, int]:
    """Return how often a bench has each thing that parts are counted by."""
    devices = bench.devices()
    permits, node = len(one_shots(bench)), has_node(bench)
    steppers = sum(is_stepper(bench, role) for role in ROLES)
    serial = sum(device.driver == "serial-line" and device.place.startswith("probes.") for device in devices)
    direct = len(ROLES) - steppers
    return {
        "bench": 1,
        "stepper": steppers,
        "stepper waste": int(is_stepper(bench, "waste")),
        "DC pump": direct,
        "flyback": direct + 1,  # and the stirrer
        "gate": len(ROLES) + permits + 1,
        "permit": permits,
        "one-shot package": (permits + 1) // 2,
        "input": sum(device.driver == "gpio-switch" for device in devices) + int(node),
        "serial board": serial,
        "serial board set": int(serial > 0),
        "modbus set": int(bench.uses("modbus-probe")),
        "i2c set": int(bench.uses("i2c-adc")),
        "shunt": int(bench.device("stirrer.sensor.board") is not None),
        "node": int(node),
        "balance": int(bench.uses("i2c-scale")),
    }


def items(bench: Bench) -> list[Item]:
    """Return the list of one bench, in the table's order, equal parts for several purposes apart."""
    with TABLE.open(encoding="utf-8") as file:
        lines = list(csv.DictReader(file))
    times = counted(bench)
    return [
        Item(
            line["part"],
            line["for"],
            line["property that matters"],
            times[line["counted by"]] * int(line["how many"]),
            (float(line["EUR from"]), float(line["EUR to"])),
            line["note"],
        )
        for line in lines
        if times[line["counted by"]] > 0
    ]


def cost_eur(listed: list[Item]) -> tuple[float, float]:
    """Return what a list costs, least and most."""
    low, high = (sum(item.count * item.eur[end] for item in listed) for end in (0, 1))
    return low, high
