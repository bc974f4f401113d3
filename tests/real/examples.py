"""The example benches of config/, each with the world behind its pins and ports."""

import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from saltern_drivers.twin.boards import Boards
from tests.modbus_boards import ModbusBoards
from tests.node.boards import MICROPYTHON, Here, OnMicroPython
from tests.real.bench_world import BenchWorld, I2cBoards, Physics, Switches, WiredBoards
from tests.real.drives import HeaderDrives, NodeDrives
from tests.real.header import Header
from tests.real.service import bench_here

PUMPS = ("sample", "waste", "titrant")
ROLES = ("ph", "conductivity", "temperature")
BAUD = 9600
SEED = 3


@dataclass
class Example:
    """A bench file, and the world of its bench."""

    file: Path
    world: BenchWorld


def header_bench(header: Header, folder: Path) -> Example:
    """Make the bench of the header alone."""
    file, table = bench_here("bench-header.toml", folder, {})
    physics = Physics(table, SEED)
    shown = [Switches(table, header), I2cBoards(physics, header)]
    return Example(file, BenchWorld(physics, HeaderDrives(table, header), shown))


def serial_bench(header: Header, folder: Path) -> Example:
    """Make the bench of serial boards and steppers."""
    names = {role: folder / "by-id" / f"usb-{role}" for role in ROLES}
    changes = {f"probes.{role}.board.port": str(name) for role, name in names.items()}
    file, table = bench_here("bench-serial.toml", folder, changes)
    physics = Physics(table, SEED)
    boards = Boards(physics.world, physics.clock)
    wired = [WiredBoards(name, boards.open(f"twin://{role}"), BAUD) for role, name in names.items()]
    return Example(file, BenchWorld(physics, HeaderDrives(table, header), [Switches(table, header), *wired]))


def node_bench(header: Header, folder: Path, firmware: Callable[[], Here | OnMicroPython]) -> Example:
    """Make the bench of the pump node and the Modbus transmitters."""
    node, converter = folder / "by-id" / "usb-node", folder / "by-id" / "usb-converter"
    of_node = ["stirrer.drive", *(f"pumps.{pump}.{part}" for pump in PUMPS for part in ("drive", "permit"))]
    changes = {f"{where}.port": str(node) for where in of_node}
    changes |= {f"probes.{role}.board.port": str(converter) for role in ROLES}
    file, table = bench_here("bench-node.toml", folder, changes)
    physics = Physics(table, SEED)
    drives = NodeDrives(firmware(), node)
    transmitters = WiredBoards(converter, ModbusBoards(physics.clock, physics.world), BAUD)
    return Example(file, BenchWorld(physics, drives, [Switches(table, header), transmitters]))


def a_node_bench(header: Header, folder: Path) -> Example:
    """Make the bench of the pump node with its firmware under MicroPython where that is here, else in this Python."""
    there = shutil.which("node") is not None and MICROPYTHON.is_file()
    return node_bench(header, folder, OnMicroPython if there else Here)
