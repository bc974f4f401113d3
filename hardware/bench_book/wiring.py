"""Every wire of a bench: from where, to where, which colour, how thick, behind which fuse.

The circuits are those of hardware/circuits; a resistor, a FET or a one-shot is a unit with named ends here, so that a
test can follow a current through all of it. Fuses and cross-sections are those of circuits/supply.md.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from hardware.bench_book.bench import ROLES, Bench
from hardware.bench_book.header import ground_beside, name_of, pin_of

COLOURS = {
    "12 V": "red",
    "5 V": "orange",
    "3.3 V": "pink",
    "ground": "black",
    "drive": "blue",
    "permit": "violet",
    "step and direction": "white",
    "input": "grey",
    "motor": "brown",
    "data": "green",
}
"""Our own choice: one colour for one purpose."""

SIGNAL_MM2 = 0.14

CARRIES_A = {1.0: 6.0, 0.5: 3.0, 0.25: 1.0, SIGNAL_MM2: 0.3}
"""What a wire carries in a bundle (common practice)."""

FUSES_A = {"all pumps": 5.0, "computer": 2.0, "stepper": 2.0, "DC pump": 1.0, "stirrer": 0.5}
"""Slow fuses by branch, as circuits/supply.md has them."""

HALVES = (
    {"A": 1, "B": 2, "R": 3, "Q": 13, "C": 14, "RC": 15},
    {"A": 9, "B": 10, "R": 11, "Q": 5, "C": 6, "RC": 7},
)
"""Pins of the two one-shots in a 74HCT123 (from memory; the data sheet comes first)."""

SUPPLY, STAR = "12 V supply", "star point"

NODE_LINES = {"sample": (2, 3, 4), "waste": (5, 6, 7), "titrant": (8, 9, 10)}
"""Step, direction and enable of each pump on the pump node; stirrer and float beside them."""

NODE_STIRRER, NODE_FLOAT = 14, 15


@dataclass(frozen=True)
class Wire:
    """One wire, or a cable where `wires` is more than one."""

    start: str
    end: str
    purpose: str
    area_mm2: float
    fuse_a: float | None = None  # the fuse that protects it
    wires: int = 1

    @property
    def colour(self) -> str:
        return COLOURS[self.purpose]


def wiring(bench: Bench) -> list[Wire]:
    """Return every wire of a bench, from the supply to the inputs."""
    return [*_supply(bench), *_pumps(bench), *_stirrer(bench), *_inputs(bench), *_boards(bench)]


def on_header(gpio: int) -> str:
    pin = pin_of(gpio)
    return f"header pin {pin} ({name_of(pin)})"


def ground_for(gpio: int) -> str:
    return f"header pin {ground_beside(pin_of(gpio))} (ground)"


def is_stepper(bench: Bench, role: str) -> bool:
    drive = bench.device(f"pumps.{role}.drive")
    return drive is not None and ("stepper" in drive.driver or drive.driver == "node-pump")


def has_node(bench: Bench) -> bool:
    return bench.uses("node-pump")


def one_shots(bench: Bench) -> dict[str, tuple[str, dict[str, int]]]:
    """Return by pump which half of which package is its permit's one-shot; none where the node is the permit."""
    roles = [role for role in ROLES if (permit := bench.device(f"pumps.{role}.permit")) and "gpio" in permit.driver]
    return {role: (f"one-shots U{number // 2 + 1}", HALVES[number % 2]) for number, role in enumerate(roles)}


def _supply(bench: Bench) -> Iterator[Wire]:
    yield _fused(f"{SUPPLY}, plus", "fuse F1 in", "computer")
    yield _fused("fuse F1 out", "5 V converter, in plus", "computer")
    yield Wire("5 V converter, in minus", STAR, "ground", 0.5, FUSES_A["computer"])
    yield Wire("5 V converter, out plus", "computer, its supply socket", "5 V", 0.5, FUSES_A["computer"])
    yield Wire("5 V converter, out minus", "computer, its supply socket, ground", "ground", 0.5, FUSES_A["computer"])
    yield Wire(f"{SUPPLY}, minus", STAR, "ground", 1.0)
    yield _fused(f"{SUPPLY}, plus", "fuse F0 in", "all pumps")
    yield _fused("fuse F0 out", "stop button, pole 1 in", "all pumps")
    yield _fused("stop button, pole 1 out", "second float's relay, contact in", "all pumps")
    for number, role in ((2, "sample"), (3, "titrant")):
        yield _fused("second float's relay, contact out", f"fuse F{number} in", "all pumps")
        yield _fused(f"fuse F{number} out", f"{role} stepper driver, motor supply", "stepper")
        yield Wire(f"{role} stepper driver, ground", STAR, "ground", 0.5, FUSES_A["stepper"])
    branch = "stepper" if is_stepper(bench, "waste") else "DC pump"
    to = "waste stepper driver, motor supply" if branch == "stepper" else "waste motor, plus"
    yield _fused("stop button, pole 1 out", "fuse F4 in", "all pumps")
    yield _fused("fuse F4 out", to, branch)
    if branch == "stepper":
        yield Wire("waste stepper driver, ground", STAR, "ground", 0.5, FUSES_A["stepper"])
    yield _fused(f"{SUPPLY}, plus", "fuse F5 in", "stirrer")
    yield _fused("fuse F5 out", "stirrer motor, plus", "stirrer")
    yield _fused("fuse F5 out", "second float, one end", "stirrer")
    yield _fused("second float, other end", "second float's relay, coil plus", "stirrer")
    yield Wire("second float's relay, coil minus", STAR, "ground", 0.25, FUSES_A["stirrer"])
    packages = sorted({package for package, _ in one_shots(bench).values()})
    for package in packages:
        yield Wire("5 V converter, out plus", f"{package}, pin 16 (supply)", "5 V", SIGNAL_MM2)
        yield Wire(f"{package}, pin 8", STAR, "ground", SIGNAL_MM2)
    yield Wire("header pin 39 (ground)", STAR, "ground", 0.25)


def _pumps(bench: Bench) -> Iterator[Wire]:
    shots = one_shots(bench)
    for role in ROLES:
        drive = bench.device(f"pumps.{role}.drive")
        if drive is None:
            continue
        if drive.driver == "node-pump":
            yield from _node_pump(role)
            continue
        options, unit = drive.options, f"{role} stepper driver"
        if is_stepper(bench, role):
            for name in ("step", "direction"):
                yield _signal(on_header(options[f"{name}_pin"]), f"{unit}, {name}", "step and direction")
            yield _signal("header pin 1 (3.3 V)", f"{unit}, logic supply", "3.3 V")
            yield Wire(f"{unit}, coils", f"{role} motor, coils", "motor", 0.25, wires=4)
            yield _signal(f"{unit}, enable", f"{role} drive FET, drain", "drive")
            gate = options["enable_pin"]
        else:
            yield Wire(f"{role} motor, minus", f"{role} drive FET, drain", "motor", 0.5, FUSES_A["DC pump"])
            gate = options["pin"]
        thick = SIGNAL_MM2 if is_stepper(bench, role) else 0.5
        yield _signal(on_header(gate), f"{role} drive FET, gate", "drive")
        yield Wire(f"{role} drive FET, source", f"{role} permit FET, drain", "ground", thick)
        yield Wire(f"{role} permit FET, source", STAR, "ground", thick)
        package, half = shots[role]
        permit = bench.device(f"pumps.{role}.permit")
        if permit is not None:
            yield _signal(on_header(permit.options["pin"]), f"{package}, pin {half['B']} (B)", "permit")
        yield _signal(f"{package}, pin {half['A']} (A)", STAR, "ground")
        yield _signal(f"{package}, pin {half['R']} (R̄), by 10 kΩ", "5 V converter, out plus", "5 V")
        yield _signal(f"{package}, pin {half['Q']} (Q)", f"{role} permit FET, gate", "permit")


def _node_pump(role: str) -> Iterator[Wire]:
    step, direction, enable = NODE_LINES[role]
    unit = f"{role} stepper driver"
    yield _signal(f"node GP{step}", f"{unit}, step", "step and direction")
    yield _signal(f"node GP{direction}", f"{unit}, direction", "step and direction")
    yield _signal(f"node GP{enable}", f"{role} drive FET, gate", "drive")
    yield _signal(f"{unit}, enable", f"{role} drive FET, drain", "drive")
    yield _signal(f"{role} drive FET, source", STAR, "ground")
    yield _signal("node 3.3 V", f"{unit}, logic supply", "3.3 V")
    yield Wire(f"{unit}, coils", f"{role} motor, coils", "motor", 0.25, wires=4)


def _stirrer(bench: Bench) -> Iterator[Wire]:
    drive = bench.device("stirrer.drive")
    if drive is None:
        return
    line = f"node GP{NODE_STIRRER}" if has_node(bench) else on_header(drive.options["pin"])
    yield _signal(line, "stirrer FET, gate", "drive")
    yield Wire("stirrer motor, minus", "stirrer FET, drain", "motor", 0.25, FUSES_A["stirrer"])
    sensor = bench.device("stirrer.sensor.board")
    if sensor is None:
        yield Wire("stirrer FET, source", STAR, "ground", 0.25, FUSES_A["stirrer"])
    else:
        yield Wire("stirrer FET, source", "shunt 1 Ω, top", "ground", 0.25, FUSES_A["stirrer"])
        yield Wire("shunt 1 Ω, foot", STAR, "ground", 0.25, FUSES_A["stirrer"])
        yield _signal("shunt 1 Ω, top", f"I2C converter, input {sensor.options['input']}", "data")


def _inputs(bench: Bench) -> Iterator[Wire]:
    for device in bench.devices():
        if device.driver != "gpio-switch":
            continue
        name, gpio = device.place.removeprefix("switches.").replace("_", " "), device.options["pin"]
        what = {"overfill": "overfill float", "leak": "leak sensor", "stop": "stop button, pole 2"}.get(
            name, "container's float"
        )
        yield _signal(on_header(gpio), f"{name} input circuit, pin's side", "input")
        yield _signal("header pin 17 (3.3 V)", f"{name} input circuit, 3.3 V", "3.3 V")
        yield Wire(f"{name} input circuit, cable's side", f"{what}, one end", "input", 0.25)
        yield Wire(f"{what}, other end", ground_for(gpio), "ground", 0.25)
    if has_node(bench):
        yield _signal(f"node GP{NODE_FLOAT}", "node's input circuit, pin's side", "input")
        yield Wire("node's input circuit, cable's side", "node's float, one end", "input", 0.25)
        yield Wire("node's float, other end", "node ground", "ground", 0.25)


def _boards(bench: Bench) -> Iterator[Wire]:
    if has_node(bench):
        yield Wire("node USB", "computer, a USB socket of its own", "data", SIGNAL_MM2, wires=4)
        yield Wire("node ground", STAR, "ground", 0.25)
    if bench.uses("i2c-adc", "i2c-scale"):
        for name, pin in (("SDA", 3), ("SCL", 5)):
            yield _signal(f"header pin {pin} ({name_of(pin)})", f"I2C converter, {name}", "data")
        yield _signal("header pin 1 (3.3 V)", "I2C converter, supply", "3.3 V")
        yield _signal("header pin 9 (ground)", "I2C converter, ground", "ground")
    transmitters = [device for device in bench.devices() if device.driver == "modbus-probe"]
    if transmitters:
        yield Wire("RS-485 converter, isolated, USB", "computer, a USB socket", "data", SIGNAL_MM2, wires=4)
    last = "RS-485 converter, isolated"
    for device in transmitters:
        name = f"{device.place.split('.')[1]} transmitter (device {device.options['device']})"
        yield Wire(f"{last}, A and B", f"{name}, A and B", "data", SIGNAL_MM2, wires=2)
        yield _fused("fuse F5 out", f"{name}, supply plus", "stirrer")
        yield Wire(f"{name}, supply minus", STAR, "ground", 0.25, FUSES_A["stirrer"])
        last = name
    for device in bench.devices():
        kind, *names = device.place.split(".")
        if kind != "probes":
            continue
        if device.driver == "serial-line":
            yield Wire(
                f"{names[0]} board, its isolated USB converter", "computer, a USB socket", "data", SIGNAL_MM2, wires=4
            )
        elif device.driver == "i2c-adc":
            board = f"{names[0]} board, isolated"
            yield _signal(f"{board}, out", f"I2C converter, input {device.options['input']}", "data")
            yield _signal("5 V converter, out plus", f"{board}, supply plus", "5 V")
            yield _signal(f"{board}, supply minus", STAR, "ground")


def _fused(start: str, end: str, branch: str) -> Wire:
    return Wire(start, end, "12 V", {"stirrer": 0.25, "all pumps": 1.0}.get(branch, 0.5), FUSES_A[branch])


def _signal(start: str, end: str, purpose: str) -> Wire:
    return Wire(start, end, purpose, SIGNAL_MM2)
