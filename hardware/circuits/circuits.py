"""The bench's circuits over the tolerance of their parts: `python hardware/circuits/circuits.py` prints what comes out.

Each circuit is a netlist beside this file, with parts that have a low and a high value, cases (what its lines do), and
demands. Every corner of the parts is simulated by ngspice. Thresholds and ratings are those that data sheets of the
kind of part state; "from memory" where no sheet was at hand. Nothing was measured on a bench.
"""

import itertools
import re
import subprocess
import sys
from dataclasses import dataclass, field
from pathlib import Path

HERE = Path(__file__).parent
FLOATS = 1e9  # ohm between a line and what drives it: boot, a crash, the cable out

Value = float | str


@dataclass(frozen=True)
class Part:
    """A part, or a property of one, with the values that it may have."""

    low: Value
    high: Value
    what: str


@dataclass(frozen=True)
class Demand:
    """What a quantity must be in a case, at every corner."""

    case: str
    quantity: str
    low: float
    high: float
    unit: str
    why: str


@dataclass(frozen=True)
class Circuit:
    """One page of the book."""

    name: str
    netlist: str
    parts: dict[str, Part]
    cases: dict[str, dict[str, Value]]
    demands: tuple[Demand, ...]
    values: dict[str, Value] = field(default_factory=dict)


LOGIC_FET = Part(0.5, 1.5, "gate threshold of an N-channel FET whose resistance is specified at 2.5 V, V")
PULL_DOWN = Part("9.5k", "10.5k", "pull-down at the gate, 10 kohm 5 %")
SERIES = Part(95, 105, "in series with the gate, 100 ohm 5 %")
LEAKAGE = Part("-2u", "2u", "of a pin that floats, A (Raspberry Pi and logic families: 1 uA or less; from memory)")
PIN_HIGH = 2.9  # V at 0.3 mA of a 3.3 V pin on a supply of 3.135 V (from memory)
SHOT_HIGH = 4.4  # V of a 74HCT123 on 4.5 V (data sheet of the family; from memory)
LINES_ON = {"v_drive": PIN_HIGH, "r_drive": 50, "v_permit": SHOT_HIGH, "r_permit": 50}
DRIVE_OFF = {**LINES_ON, "v_drive": 0.1}
PERMIT_OFF = {**LINES_ON, "v_permit": 0.1}
FLOATING = {"v_drive": 3.3, "r_drive": FLOATS, "v_permit": 5.0, "r_permit": FLOATS}

CIRCUITS = (
    Circuit(
        "dc-pump",
        "dc-pump.cir",
        {
            "supply": Part(11.4, 12.6, "supply, 12 V 5 %"),
            "vto": LOGIC_FET,
            "r_motor": Part(8, 60, "winding, ohm: 1.5 A held fast, 0.2 A of a small head"),
            "r_series": SERIES,
            "r_pull": PULL_DOWN,
            "leak": LEAKAGE,
        },
        {"both on": LINES_ON, "drive off": DRIVE_OFF, "permit off": PERMIT_OFF, "all lines float": FLOATING},
        (
            Demand("both on", "v_drive_ds", 0.0, 0.25, "V", "the drive's FET switches fully at 2.9 V"),
            Demand("both on", "p_drive", 0.0, 0.4, "W", "a small FET takes 0.5 W without a heat sink"),
            Demand("both on", "v_gs", 2.5, 5.5, "V", "the gate has what its resistance is specified at"),
            Demand("drive off", "i_motor", -1e-4, 1e-4, "A", "the drive alone stops it"),
            Demand("permit off", "i_motor", -1e-4, 1e-4, "A", "the permit alone stops it"),
            Demand(
                "all lines float", "i_motor", -1e-4, 1e-4, "A", "off while the computer boots, hangs or is unplugged"
            ),
        ),
    ),
    Circuit(
        "dc-pump-off",
        "dc-pump-off.cir",
        {
            "supply": Part(11.4, 12.6, "supply, 12 V 5 %"),
            "vto": LOGIC_FET,
            "r_motor": Part(8, 60, "winding, ohm"),
            "r_series": SERIES,
            "r_pull": PULL_DOWN,
        },
        {"switched off at full current": {}},
        (
            Demand("switched off at full current", "v_peak", 0.0, 20.0, "V", "far below a 30 V FET: the diode works"),
            Demand("switched off at full current", "i_after", -1e-3, 1e-3, "A", "15 ms later the motor has no current"),
        ),
    ),
    Circuit(
        "stepper-enable",
        "stepper-enable.cir",
        {
            "logic": Part(3.13, 3.47, "logic supply of the driver, 3.3 V 5 %"),
            "vto": LOGIC_FET,
            "r_up": Part("4.5k", "4.9k", "pull-up at the enable input, 4.7 kohm 5 %"),
            "r_series": SERIES,
            "r_pull": PULL_DOWN,
            "leak": LEAKAGE,
            "leak_en": Part("-20u", "20u", "of the driver's enable input, A"),
        },
        {"both on": LINES_ON, "drive off": DRIVE_OFF, "permit off": PERMIT_OFF, "all lines float": FLOATING},
        (
            Demand("both on", "v_en", -0.1, 0.3 * 3.13, "V", "low (0.3 of the logic supply): the driver is enabled"),
            Demand("drive off", "v_en", 0.7 * 3.47, 3.6, "V", "high (0.7 of it): disabled by the drive alone"),
            Demand("permit off", "v_en", 0.7 * 3.47, 3.6, "V", "disabled by the permit alone"),
            Demand("all lines float", "v_en", 0.7 * 3.47, 3.6, "V", "disabled while lines float"),
        ),
    ),
    Circuit(
        "node-enable",
        "node-enable.cir",
        {
            "logic": Part(3.13, 3.47, "logic supply of the driver, 3.3 V 5 %"),
            "vto": LOGIC_FET,
            "r_up": Part("4.5k", "4.9k", "pull-up at the enable input, 4.7 kohm 5 %"),
            "r_line": Part("2.09k", "2.31k", "pull-down at the chip's line, 2.2 kohm 5 %"),
            "r_series": SERIES,
            "r_pull": PULL_DOWN,
            "leak": Part("-2u", "120u", "of a line while the chip resets, A (erratum E9 of the RP2350; from memory)"),
            "leak_en": Part("-20u", "20u", "of the driver's enable input, A"),
        },
        {
            "line on": {"v_drive": PIN_HIGH, "r_drive": 50},
            "line off": {"v_drive": 0.1, "r_drive": 50},
            "the chip resets, or is not there": {"v_drive": 0.0, "r_drive": FLOATS},
        },
        (
            Demand("line on", "v_en", -0.1, 0.3 * 3.13, "V", "low (0.3 of the logic supply): the driver is enabled"),
            Demand("line on", "v_gs", 2.5, 3.5, "V", "the gate has what its resistance is specified at"),
            Demand("line off", "v_en", 0.7 * 3.47, 3.6, "V", "high (0.7 of it): disabled"),
            Demand("the chip resets, or is not there", "v_en", 0.7 * 3.47, 3.6, "V", "disabled, whatever leaks"),
        ),
    ),
    Circuit(
        "supply-switch",
        "supply-switch.cir",
        {
            "supply": Part(11.4, 12.6, "supply, 12 V 5 %"),
            "vto": LOGIC_FET,
            "vto_p": Part(-4.0, -1.0, "gate threshold of the P-channel FET, V"),
            "r_up": Part("9.5k", "10.5k", "gate to source, 10 kohm 5 %"),
            "r_div": Part("4.4k", "5.0k", "gate to the N-channel FET, 4.7 kohm 5 %"),
            "c_slow": Part("180n", "260n", "gate to drain, 220 nF 20 %: slows the switch for the bulk capacitor"),
            "c_bulk": Part("100u", "560u", "bulk capacitor of the stepper's driver"),
            "r_load": Part(8, 60, "what the driver takes, ohm"),
        },
        {"on for 0.2 s, then off": {"v_permit": SHOT_HIGH}},
        (
            Demand("on for 0.2 s, then off", "v_on", 10.0, 12.7, "V", "the driver has its supply"),
            Demand("on for 0.2 s, then off", "v_off", -0.1, 1.5, "V", "0.19 s after the permit it has none"),
            Demand("on for 0.2 s, then off", "i_inrush", 0.0, 8.0, "A", "a pulse that the FET and a slow fuse take"),
            Demand("on for 0.2 s, then off", "v_gs_max", 0.0, 16.0, "V", "the gate takes 20 V"),
        ),
    ),
    Circuit(
        "input",
        "input.cir",
        {
            "logic": Part(3.13, 3.47, "3.3 V 5 %"),
            "r_up": Part("2.09k", "2.31k", "pull-up on the cable's side, 2.2 kohm 5 %"),
            "r_series": Part("950", "1050", "in series with the pin, 1 kohm 5 %"),
            "leak": LEAKAGE,
        },
        {
            "closed": {"r_contact": 10, "r_fault": FLOATS},
            "open, or the wire broken": {"r_contact": 1e9, "r_fault": FLOATS},
            "open, salt water of 10 kohm across the plug": {"r_contact": 10e3, "r_fault": FLOATS},
            "12 V on the cable": {"r_contact": 1e9, "r_fault": 1},
        },
        (
            Demand("closed", "v_pin", -0.1, 0.8, "V", "low, with room to 0.8 V"),
            Demand("closed", "i_contact", 1e-3, 5e-3, "A", "wets the contact: 1 mA keeps gold and reed contacts clean"),
            Demand(
                "open, or the wire broken", "v_pin", 2.31, 3.6, "V", "high (0.7 of 3.3 V): reads as full, wet or stop"
            ),
            Demand(
                "open, salt water of 10 kohm across the plug", "v_pin", 2.31, 3.6, "V", "a wet plug hides nothing yet"
            ),
            Demand("12 V on the cable", "v_pin", 0.0, 4.1, "V", "the clamps hold the pin near its supply"),
            Demand("12 V on the cable", "i_clamp", 0.0, 12e-3, "A", "and take what the resistor lets through"),
        ),
    ),
    Circuit(
        "float-relay",
        "float-relay.cir",
        {
            "supply": Part(11.4, 12.6, "supply, 12 V 5 %"),
            "r_coil": Part(360, 440, "coil of a 12 V relay of 400 ohm, 10 %"),
            "l_coil": Part(0.2, 0.6, "its inductance, H (assumed)"),
        },
        {"the float opens at 50 ms": {"i_release": "3m"}},
        (
            Demand("the float opens at 50 ms", "i_held", 0.02, 0.05, "A", "holds the relay (75 % of 12 V pulls it in)"),
            Demand(
                "the float opens at 50 ms", "i_reed", 0.0, 0.1, "A", "a reed of 0.5 A carries a coil, never a motor"
            ),
            Demand("the float opens at 50 ms", "v_low", -1.5, 0.1, "V", "the diode keeps the reed from arcing"),
            Demand("the float opens at 50 ms", "t_release", 0.05, 0.08, "s", "the relay lets go within 30 ms"),
        ),
    ),
)


@dataclass(frozen=True)
class Lapse:
    """A retriggerable one-shot: how long a permit holds after the last kick."""

    r_ohm: tuple[float, float]
    c_farad: tuple[float, float]
    k: tuple[float, float]

    def seconds(self) -> tuple[float, float]:
        low, high = (k * r * c for k, r, c in zip(self.k, self.r_ohm, self.c_farad, strict=True))
        return low, high


LAPSE = Lapse(r_ohm=(901e3, 919e3), c_farad=(0.9e-6, 1.1e-6), k=(0.42, 0.48))
"""74HCT123 on 5 V, its trigger from a 3.3 V pin (2.0 V is high for the family): 910 kohm 1 %, 1 uF film 10 %.

K is 0.45 at 5 V (data sheet of the family; from memory), 7 % for sample and temperature (assumed). A film capacitor:
an electrolytic one leaks about as much as the resistor carries, and a high-K ceramic one loses half of its value.
"""


def corners(circuit: Circuit, case: str) -> list[dict[str, float]]:
    """Return the quantities of a case at every corner of the parts."""
    names = list(circuit.parts)
    return [
        simulated(circuit, {**dict(zip(names, values, strict=True)), **circuit.values, **circuit.cases[case]})
        for values in itertools.product(*((part.low, part.high) for part in circuit.parts.values()))
    ]


def simulated(circuit: Circuit, values: dict[str, Value]) -> dict[str, float]:
    """Return what ngspice prints of a circuit with these values."""
    text = (HERE / circuit.netlist).read_text(encoding="utf-8")
    for name, value in values.items():
        text = text.replace(f"{{{name}}}", str(value))
    unset = re.findall(r"\{\w+\}", text)
    if unset:
        msg = f"{circuit.netlist}: no value for {', '.join(unset)}"
        raise ValueError(msg)
    done = subprocess.run(
        ["ngspice", "-b", "/dev/stdin"], input=text, capture_output=True, text=True, check=False, timeout=60
    )
    found = dict(re.findall(r"^(\w+) = (\S+)$", done.stdout, flags=re.MULTILINE))
    if not found:
        msg = f"{circuit.netlist}: ngspice printed no result: {done.stderr[-300:]}"
        raise ValueError(msg)
    return {name: float(value) for name, value in found.items()}


def table(circuits: tuple[Circuit, ...] = CIRCUITS) -> str:
    """Return, as Markdown, each demand beside the least and the most that comes out."""
    rows = [
        "| circuit | case | what | demanded | least | most | corners | why |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for circuit in circuits:
        for case in circuit.cases:
            found = corners(circuit, case)
            for demand in circuit.demands:
                if demand.case == case:
                    seen = [each[demand.quantity] for each in found]
                    rows.append(
                        f"| {circuit.name} | {case} | {demand.quantity} | {demand.low:.3g} to {demand.high:.3g} "
                        f"{demand.unit} | {_shown(min(seen))} | {_shown(max(seen))} | {len(seen)} | {demand.why} |"
                    )
    return "\n".join(rows) + "\n"


def _shown(value: float) -> str:
    return "0" if abs(value) < 1e-5 else f"{value:.2g}"


def page() -> str:
    """Return the page TOLERANCE.md."""
    low_s, high_s = LAPSE.seconds()
    return (
        "# What comes out of the circuits, over the tolerance of their parts\n\n"
        "Made by `python hardware/circuits/circuits.py --write`; simulated by ngspice, never measured. The values\n"
        "are in [circuits.py](circuits.py), with what is from a data sheet, from memory or assumed.\n\n"
        f"{table()}\n"
        f"A permit lapses {low_s:.2f} to {high_s:.2f} s after its last kick; bench files say `lapse_s = 0.5`.\n"
    )


if __name__ == "__main__":
    if "--write" in sys.argv:
        (HERE / "TOLERANCE.md").write_text(page(), encoding="utf-8")
    else:
        sys.stdout.write(page())
